"""Thermal resistance and step responses against published definitions and examples."""

from __future__ import annotations

import pytest

from harness.statistics.heat import find_control, system_resistance
from harness.statistics.thermal import fit_temperature
from tests.thermal_curves import step_response

CONSTANT = find_control([[4e9] * 20], [[1200.0] * 20], [[100.0] * 20])


def test_resistance_is_the_rise_over_the_power_at_steady_state() -> None:
    """JEDEC JESD51-1: theta = (T_J - T_A) / P, both steady; here for the whole system."""
    times = [float(second) for second in range(600)]
    rise = step_response(times, [(40.0, 45.0)])
    fit = fit_temperature(times, [25.0 + value for value in rise])
    found = system_resistance(fit, 25.0, 100.0, CONSTANT)
    assert found.celsius_per_watt == pytest.approx(0.4, rel=1e-6)


@pytest.mark.parametrize(
    ("power", "ambient", "printed"), [(0.876, 25.0, 41.0), (1.213, 85.0, 107.0)]
)
def test_the_resistance_of_a_clock_chip(power: float, ambient: float, printed: float) -> None:
    """Si5382 device configuration report: theta 18.3 degrees Celsius per watt.

    The junction temperature is printed to a degree: half of one either way encloses the 18.3.
    """
    around = []
    for steady in (printed - 0.5, printed + 0.5):
        fit = fit_temperature([float(second) for second in range(60)], [steady] * 60)
        around.append(system_resistance(fit, ambient, power, CONSTANT).celsius_per_watt)
    low, high = around
    assert low is not None and high is not None
    assert low < 18.3 < high


# JESD51-14 form, resistances 0.7 and 0.3 K/W, time constants 0.7 and 3 s, from the formula.
FOSTER = [
    (0.1, 0.10302064003027112),
    (0.5623413251903491, 0.43779810251372314),
    (3.1622776601683795, 0.887806344716565),
    (17.78279410038923, 0.9992005374189064),
    (100.0, 0.9999999999999989),
]
PARTS = [(0.7, 0.7), (0.3, 3.0)]


@pytest.mark.parametrize(("time", "impedance"), FOSTER)
def test_the_curves_fitted_here_are_the_foster_networks(time: float, impedance: float) -> None:
    assert step_response([time], PARTS)[0] == pytest.approx(impedance, rel=1e-12)


def test_a_single_part_reaches_63_86_95_98_and_99_percent_after_one_to_five_constants() -> None:
    expected = [0.6321205588285577, 0.8646647167633873, 0.950212931632136, 0.9816843611112658]
    found = step_response([1.0, 2.0, 3.0, 4.0, 5.0], [(1.0, 1.0)])
    assert found == pytest.approx([*expected, 0.9932620530009145], rel=1e-12)


def test_the_fit_finds_both_parts_of_the_foster_network() -> None:
    times = [0.02 * step for step in range(1, 1001)]
    fit = fit_temperature(times, [30.0 + 50.0 * value for value in step_response(times, PARTS)])
    fast, slow = fit.components
    assert fast.time_constant_seconds == pytest.approx(0.7, rel=1e-3)
    assert slow.time_constant_seconds == pytest.approx(3.0, rel=1e-3)
    assert fast.rise_celsius == pytest.approx(35.0, rel=1e-3)
    assert fit.steady_celsius == pytest.approx(80.0, abs=1e-3)
