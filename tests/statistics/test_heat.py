"""What a fit may and may not be used for."""

from __future__ import annotations

import numpy as np
import pytest

from harness.statistics.heat import (
    DIVISIONS,
    Control,
    find_control,
    heat_loss,
    range_factor,
    relative_change_percent,
    system_resistance,
    thermal_margin,
)
from harness.statistics.thermal import ThermalFit, fit_temperature
from tests.thermal_curves import step_response


def fitted(seconds: float = 600.0) -> ThermalFit:
    times = np.arange(0.0, seconds, 1.0)
    values = 25.0 + np.array(step_response(times.tolist(), [(50.0, 60.0)]))
    noise = np.random.default_rng(1).normal(0.0, 0.2, len(times))
    return fit_temperature(times.tolist(), (values + noise).tolist())


CONSTANT = find_control([[4e9] * 50], [[1200.0] * 50], [[100.0] * 50])


def test_constant_clock_fan_and_power_control_nothing() -> None:
    assert CONSTANT.control is Control.CONSTANT
    assert CONSTANT.why == "clock, fan and power stayed constant"


@pytest.mark.parametrize(
    ("clock", "fan", "power", "why"),
    [
        (np.linspace(5e9, 4.6e9, 100), np.full(100, 1200.0), np.full(100, 90.0), "clock changed"),
        (np.full(100, 4e9), np.linspace(900, 1500, 100), np.full(100, 90.0), "fan changed"),
        (np.full(100, 4e9), np.full(100, 1200.0), np.linspace(120, 90, 100), "power changed"),
    ],
)
def test_a_regulated_quantity_means_held_by_control(
    clock: np.ndarray, fan: np.ndarray, power: np.ndarray, why: str
) -> None:
    found = find_control([clock.tolist()], [fan.tolist()], [power.tolist()])
    assert found.control is Control.HELD
    assert found.why.startswith("held by control: " + why)


def test_a_jumping_tachometer_is_not_a_regulated_fan() -> None:
    fan = (1200.0 + 60.0 * np.random.default_rng(2).standard_normal(300)).tolist()
    assert find_control([[4e9] * 300], [fan], [[90.0] * 300]).control is Control.CONSTANT


def test_what_was_not_measured_is_named() -> None:
    found = find_control([[4e9] * 20], [], [])
    assert found.control is Control.UNKNOWN
    assert found.why == "constant as far as measured; not measured: fan, power"
    assert found.missing == ("fan", "power")
    assert relative_change_percent([1.0]) is None
    assert relative_change_percent([1.0, -1.0]) is None
    nothing = find_control([], [], [])
    assert (nothing.control, nothing.clock_moved) == (Control.UNKNOWN, None)
    assert nothing.why.endswith("is not known: none was measured")


def test_a_fan_that_stands_still_has_not_changed() -> None:
    assert relative_change_percent([0.0] * 50) == 0.0
    assert find_control([[4e9] * 50], [[0.0] * 50], [[9.0] * 50]).control is Control.CONSTANT


def test_one_core_cut_back_among_sixteen_means_held_by_control() -> None:
    clocks = [[4e9] * 200 for _ in range(15)]
    throttled = [4e9] * 60 + [3.8e9] * 140
    found = find_control([*clocks, throttled], [], [])
    assert (found.control, found.clock_moved) == (Control.HELD, True)
    assert "clock changed by 5.2 %" in found.why or "clock changed by 5.1 %" in found.why


def test_a_clock_cut_back_soon_after_the_start_was_regulated() -> None:
    generator = np.random.default_rng(7)
    clock = np.where(np.arange(600) < 12, 5e9, 4.6e9) * (1 + generator.normal(0, 0.003, 600))
    assert find_control([clock.tolist()], [], []).control is Control.HELD


@pytest.mark.parametrize("count", [20, 60, 600])
def test_a_clock_measured_to_one_percent_is_seldom_called_regulated(count: int) -> None:
    """The share of false findings is near the 1 % of each of four divisions into blocks."""
    noisy = [
        (4e9 * (1 + np.random.default_rng(seed).normal(0, 0.01, count))).tolist()
        for seed in range(200)
    ]
    moved = sum(find_control([clock], [], []).clock_moved is True for clock in noisy)
    assert moved <= 12


def wandering(seed: int, cores: int, lag1: float, share: float) -> list[list[float]]:
    """Clocks of 4 GHz, 600 readings each: stationary, of this lag-1 correlation and scatter."""
    noise = np.random.default_rng(seed).standard_normal((cores, 600))
    for index in range(1, 600):
        fresh = np.sqrt(1.0 - lag1**2) * noise[:, index]
        noise[:, index] = lag1 * noise[:, index - 1] + fresh
    return (4e9 * (1.0 + share * noise)).tolist()


@pytest.mark.parametrize(
    ("cores", "lag1", "share"),
    [(8, 0.0, 0.02), (64, 0.0, 0.02), (8, 0.3, 0.02), (8, 0.5, 0.01), (16, 0.5, 0.01)],
)
def test_clocks_of_many_cores_that_wander_about_one_level_are_not_called_regulated(
    cores: int, lag1: float, share: float
) -> None:
    """A division shows a change by chance in 1 % of such loads at the most, and there are four."""
    moved = sum(
        find_control(wandering(seed, cores, lag1, share), [], []).clock_moved is True
        for seed in range(50)
    )
    assert moved <= 5


def test_one_wandering_clock_of_eight_that_is_cut_back_was_regulated() -> None:
    for seed in range(10):
        clocks = wandering(seed, 8, 0.3, 0.005)
        clocks[3][330:] = [0.97 * value for value in clocks[3][330:]]
        assert find_control(clocks, [], []).clock_moved is True


def test_a_fan_that_follows_the_load_was_regulated_though_its_tachometer_jumps() -> None:
    speeds = 1200.0 + 60.0 * np.random.default_rng(2).standard_normal(600)
    speeds += 300.0 * (1.0 - np.exp(-np.arange(600) / 120.0))
    assert find_control([], [speeds.tolist()], []).control is Control.HELD


def test_the_factor_is_just_above_that_of_the_studentised_range() -> None:
    from scipy.stats import studentized_range

    for blocks in DIVISIONS:
        for degrees in (20.0, 200.0):
            exact = studentized_range.ppf(0.99, blocks, degrees)
            assert exact - 1e-6 <= range_factor(blocks, 0.01, degrees) <= 1.05 * exact


def test_the_resistance_is_the_rise_over_ambient_by_power() -> None:
    found = system_resistance(fitted(), 25.0, 100.0, CONSTANT)
    assert found.celsius_per_watt == pytest.approx(0.5, abs=0.005)
    assert found.low is not None and found.high is not None
    assert found.low < 0.5 < found.high


@pytest.mark.parametrize(
    ("ambient", "power", "reason"),
    [(None, 100.0, "the ambient temperature is not known"), (25.0, None, "the power is not known")],
)
def test_without_power_or_ambient_there_is_no_resistance(
    ambient: float | None, power: float | None, reason: str
) -> None:
    found = system_resistance(fitted(), ambient, power, CONSTANT)
    assert (found.celsius_per_watt, found.reason) == (None, reason)


def test_without_a_steady_value_there_is_neither_resistance_nor_margin() -> None:
    short = fitted(50.0)
    assert system_resistance(short, 25.0, 100.0, CONSTANT).reason == short.reason
    assert thermal_margin(short, 95.0, CONSTANT).reason == short.reason


def test_a_hot_day_takes_as_much_from_the_margin_as_the_room_is_warmer() -> None:
    found = thermal_margin(fitted(), 95.0, CONSTANT, 25.0, 35.0)
    assert found.margin_celsius == pytest.approx(20.0, abs=0.2)
    assert found.hot_day_celsius == pytest.approx(10.0, abs=0.2)
    assert found.low_celsius is not None and found.high_celsius is not None
    assert found.low_celsius < 20.0 < found.high_celsius


def test_a_room_warmer_than_the_worst_day_makes_no_margin_larger() -> None:
    found = thermal_margin(fitted(), 95.0, CONSTANT, 30.0, 25.0)
    assert found.hot_day_celsius == found.margin_celsius


def test_without_a_declared_ambient_there_is_no_hot_day() -> None:
    found = thermal_margin(fitted(), 95.0, CONSTANT, None, 35.0)
    assert found.margin_celsius is not None
    assert (found.hot_day_celsius, found.hot_day_reason) == (
        None,
        "the ambient temperature is not declared",
    )
    other = thermal_margin(fitted(), 95.0, CONSTANT, 25.0, None)
    assert other.hot_day_reason == "the worst ambient temperature is not declared"


def test_no_margin_is_claimed_where_control_held_the_temperature() -> None:
    held = find_control([np.linspace(5e9, 4e9, 50).tolist()], [], [])
    found = thermal_margin(fitted(), 95.0, held, 25.0, 35.0)
    assert (found.margin_celsius, found.hot_day_celsius) == (None, None)
    assert system_resistance(fitted(), 25.0, 100.0, held).celsius_per_watt is None
    assert found.reason is not None and found.reason.startswith("held by control")


def test_throughput_lost_to_heat_is_found_with_limits() -> None:
    generator = np.random.default_rng(3)
    time = np.arange(120)
    passes = 100.0 * (1.0 - 0.04 * (1.0 - np.exp(-time / 15.0))) + generator.normal(0, 0.2, 120)
    found = heat_loss(passes.tolist())
    assert found.lost_percent is not None and 2.0 < found.lost_percent < 4.5
    assert found.low_percent is not None and found.high_percent is not None
    assert 0.0 < found.low_percent < found.lost_percent < found.high_percent


def test_slow_scatter_of_the_throughput_is_seldom_called_a_loss() -> None:
    lost = 0
    for seed in range(200):
        noise = np.random.default_rng(seed).normal(0.0, 0.3, 120)
        for index in range(1, 120):
            noise[index] = 0.7 * noise[index - 1] + 0.714 * noise[index]
        found = heat_loss((100.0 + noise).tolist())
        lost += found.low_percent is not None and found.low_percent > 0.0
    assert lost / 200 <= 0.09


def test_nothing_lost_leaves_limits_on_both_sides_of_nought() -> None:
    passes = np.random.default_rng(4).normal(100.0, 0.3, 90).tolist()
    found = heat_loss(passes)
    assert found.low_percent is not None and found.high_percent is not None
    assert found.low_percent < 0.3 and found.high_percent > -0.3


@pytest.mark.parametrize(
    ("passes", "reason"),
    [
        ([], "0 readings of the throughput, 6 are needed"),
        ([100.0] * 5, "5 readings of the throughput, 6 are needed"),
        ([100.0] * 5 + [0.0] * 5, "a throughput of 0 has no ratio"),
        ([100.0] * 10, "zero spread: the trials do not differ, so their spread is not known"),
    ],
)
def test_passes_that_show_no_loss_say_why(passes: list[float], reason: str) -> None:
    found = heat_loss(passes)
    assert (found.low_percent, found.reason) == (None, reason)
