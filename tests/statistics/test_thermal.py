"""Fits of invented temperatures whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from harness.statistics.thermal import ThermalFit, fit_temperature
from tests.thermal_curves import step_response

#: (rise in degrees Celsius, time constant in seconds)
Parts = list[tuple[float, float]]
ONE: Parts = [(30.0, 60.0)]
TWO: Parts = [(20.0, 5.0), (15.0, 120.0)]


def measured(
    parts: Parts,
    seconds: float,
    *,
    seed: int = 1,
    noise: float = 0.2,
    step: float = 0.125,
    every: float = 0.5,
    ambient: float = 40.0,
) -> ThermalFit:
    times = np.arange(0.0, seconds, every)
    values = ambient + np.array(step_response(times.tolist(), parts))
    values += np.random.default_rng(seed).normal(0.0, noise, len(times))
    return fit_temperature(times.tolist(), (np.round(values / step) * step).tolist())


def test_one_time_constant_is_found_with_its_steady_value() -> None:
    found = measured(ONE, 400.0)
    (part,) = found.components
    assert part.time_constant_seconds == pytest.approx(60.0, rel=0.03)
    assert part.rise_celsius == pytest.approx(30.0, rel=0.02)
    assert found.steady_celsius == pytest.approx(70.0, abs=0.2)
    assert found.settled is True
    assert found.why == "settled at 70.0 °C"


def test_two_time_constants_are_told_apart_where_the_data_show_them() -> None:
    found = measured(TWO, 700.0)
    fast, slow = found.components
    assert fast.time_constant_seconds == pytest.approx(5.0, rel=0.1)
    assert slow.time_constant_seconds == pytest.approx(120.0, rel=0.1)
    assert found.steady_celsius == pytest.approx(75.0, abs=0.2)


def test_a_load_that_stopped_early_says_how_much_was_still_to_come() -> None:
    found = measured(ONE, 120.0)
    assert found.settled is False
    assert found.remaining_celsius == pytest.approx(30.0 * np.exp(-2.0), abs=0.5)
    assert found.why.startswith("would have risen another ")
    assert found.low_celsius is not None and found.high_celsius is not None
    assert found.low_celsius < 70.0 < found.high_celsius


def test_a_load_shorter_than_its_time_constant_shows_no_steady_value() -> None:
    found = measured(ONE, 50.0)
    assert (found.steady_celsius, found.low_celsius, found.remaining_celsius) == (None,) * 3
    assert found.settled is False
    assert (
        found.reason is not None and "too short to show where the temperature ends" in found.reason
    )


def test_a_temperature_that_falls_is_fitted_too() -> None:
    times = np.arange(0.0, 200.0, 1.0)
    values = 80.0 - np.array(step_response(times.tolist(), [(20.0, 80.0)]))
    found = fit_temperature(times.tolist(), values.tolist())
    assert found.steady_celsius == pytest.approx(60.0, abs=0.01)
    assert found.why.startswith("would have fallen another ")


def test_a_temperature_that_does_not_move_is_steady_without_a_time_constant() -> None:
    found = measured([], 200.0)
    assert found.components == ()
    assert found.steady_celsius == pytest.approx(40.0, abs=0.1)
    assert found.settled is True


def test_a_reading_stuck_at_one_value_keeps_an_honest_null_free_interval() -> None:
    found = fit_temperature([float(second) for second in range(60)], [55.0] * 60)
    assert found.steady_celsius == pytest.approx(55.0)
    assert found.low_celsius == pytest.approx(55.0)
    assert found.components == ()


def test_steps_coarser_than_the_noise_widen_the_interval() -> None:
    fine, coarse = (measured(ONE, 400.0, noise=0.02, step=step) for step in (0.01, 1.0))
    assert fine.low_celsius is not None and fine.high_celsius is not None
    assert coarse.low_celsius is not None and coarse.high_celsius is not None
    assert coarse.high_celsius - coarse.low_celsius > 1.0
    assert fine.high_celsius - fine.low_celsius < 0.1


def test_too_few_samples_are_not_fitted() -> None:
    found = fit_temperature([0.0, 1.0], [40.0, 50.0])
    assert found.steady_celsius is None
    assert found.reason == "2 samples: 12 are needed"


#: A die of some seconds on parts of the machine that take far longer than the load lasted.
SLOW: dict[str, tuple[Parts, float]] = {
    "a heat sink of half an hour": ([(20.0, 5.0), (15.0, 1800.0)], 600.0),
    "a heat sink of ten minutes": ([(20.0, 5.0), (15.0, 600.0)], 600.0),
    "two minutes of it": ([(25.0, 3.0), (10.0, 1800.0)], 120.0),
    "die, sink, air in the case": ([(20.0, 2.0), (10.0, 30.0), (10.0, 600.0)], 600.0),
    "half a minute of a sink": ([(20.0, 4.0), (15.0, 90.0)], 30.0),
    "die, sink, water": ([(20.0, 2.0), (10.0, 60.0), (6.0, 3600.0)], 600.0),
}


@pytest.mark.parametrize("step", [0.125, 1.0])
@pytest.mark.parametrize("case", list(SLOW))
def test_what_still_warms_up_slowly_is_not_called_settled(case: str, step: float) -> None:
    parts, seconds = SLOW[case]
    found = [measured(parts, seconds, seed=seed, step=step, every=1.0) for seed in range(3)]
    assert sum(fit.settled is True for fit in found) <= (1 if step == 1.0 else 0)


def test_a_fan_that_speeds_up_half_way_leaves_no_steady_value() -> None:
    times = np.arange(0.5, 600.0, 1.0)
    values = 40.0 + np.array(step_response(times.tolist(), ONE))
    values -= 4.0 * (times > 300.0) * -np.expm1(-np.maximum(times - 300.0, 0.0) / 20.0)
    values += np.random.default_rng(1).normal(0.0, 0.2, len(times))
    found = fit_temperature(times.tolist(), values.tolist())
    assert (found.steady_celsius, found.settled) == (None, False)
    assert found.reason is not None and "no one or two time constants" in found.reason


def test_noise_that_depends_on_itself_is_not_taken_for_a_slow_part() -> None:
    told = 0
    for seed in range(10):
        generator = np.random.default_rng(seed)
        noise = generator.normal(0.0, 0.5, 600)
        for index in range(1, 600):
            noise[index] = 0.8 * noise[index - 1] + 0.6 * noise[index]
        times = np.arange(0.5, 600.0, 1.0)
        values = 40.0 + np.array(step_response(times.tolist(), ONE)) + noise
        found = fit_temperature(times.tolist(), values.tolist())
        told += found.steady_celsius is not None and len(found.components) == 1
    assert told >= 9


def test_a_steady_value_that_is_not_known_closely_is_not_called_settled() -> None:
    times = np.arange(0.5, 20.0, 1.0)
    values = 60.0 + np.random.default_rng(3).normal(0.0, 3.0, len(times))
    found = fit_temperature(times.tolist(), values.tolist())
    assert found.steady_celsius is None
    assert found.reason is not None and "could hide in its noise" in found.reason
    times = np.arange(0.5, 40.0, 1.0)
    values = 60.0 + np.random.default_rng(3).normal(0.0, 0.4, len(times))
    found = fit_temperature(times.tolist(), values.tolist())
    assert found.settled is None
    assert "not known closely" in found.why


def test_thousands_of_samples_are_averaged_in_blocks_first() -> None:
    found = measured(ONE, 3000.0)
    assert found.samples == 6000
    assert found.steady_celsius == pytest.approx(70.0, abs=0.1)


@pytest.mark.parametrize("parts", [ONE, TWO])
def test_the_steady_values_interval_covers_the_truth(parts: Parts) -> None:
    truth = 40.0 + sum(rise for rise, _ in parts)
    covered = 0
    for seed in range(60):
        found = measured(parts, 400.0, seed=seed)
        assert found.low_celsius is not None and found.high_celsius is not None
        covered += found.low_celsius <= truth <= found.high_celsius
    assert covered >= 52


def test_times_and_temperatures_must_match_and_be_finite() -> None:
    with pytest.raises(ValueError, match="3 times for 2 temperatures"):
        fit_temperature([0.0, 1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match=r"temperatures_celsius\[0\]=inf"):
        fit_temperature([0.0], [float("inf")])


def test_one_of_many_good_fits_of_a_run_is_not_refused_for_an_unlucky_end() -> None:
    """Noise that one good fit in hundreds has: alone it is a misfit, among twenty it is not."""
    times = np.arange(0.5, 300.0, 1.0)
    values = 40.0 + np.array(step_response(times.tolist(), [(30.0, 40.0)]))
    values += np.random.default_rng(81).normal(0.0, 0.6, len(times))
    alone = fit_temperature(times.tolist(), values.tolist())
    assert alone.reason is not None and "no one or two time constants" in alone.reason
    among = fit_temperature(times.tolist(), values.tolist(), fits=20)
    assert (among.reason, among.steady_celsius) == (None, pytest.approx(70.0, abs=0.2))


def test_a_fan_that_speeds_up_is_told_among_many_fits_too() -> None:
    times = np.arange(0.5, 600.0, 1.0)
    values = 40.0 + np.array(step_response(times.tolist(), ONE))
    values -= 4.0 * (times > 300.0) * -np.expm1(-np.maximum(times - 300.0, 0.0) / 20.0)
    values += np.random.default_rng(1).normal(0.0, 0.2, len(times))
    found = fit_temperature(times.tolist(), values.tolist(), fits=50)
    assert found.reason is not None and "no one or two time constants" in found.reason
