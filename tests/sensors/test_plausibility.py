"""Stated rules for values that cannot be true."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors.contract import Reading
from harness.sensors.plausibility import (
    REPEAT,
    ZeroWatch,
    doubt,
    doubt_whole_chip,
    inputs_that_may_die_together,
)
from harness.sweeps import left_out


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        (127.0, "°C"),
        (-128.0, "°C"),
        (-273.15, "°C"),
        (-300.0, "°C"),
        (255.0, "°C"),
        (65_261.8, "°C"),
        (65_535.0, "RPM"),
        (-5.0, "RPM"),
        (math.nan, "V"),
        (math.inf, "W"),
        (1e30, "Hz"),
    ],
)
def test_values_seen_in_the_field_that_cannot_be_true_are_flagged(value: float, unit: str) -> None:
    assert left_out(doubt(value, unit))


@pytest.mark.parametrize(
    ("value", "unit"),
    [(71.25, "°C"), (0.0, "°C"), (-42.0, "°C"), (99.9, "°C"), (0.0, "RPM"), (12_000.0, "RPM"),
     (0.0, "V"), (-11.9, "V"), (1.2, "V"), (0.0, "W"), (400.0, "W"), (5.7e9, "Hz"),
     (7.0, "of 255")],
)  # fmt: skip
def test_values_that_may_be_true_are_left_alone(value: float, unit: str) -> None:
    assert doubt(value, unit) == ""


@given(st.floats(0.001, 126.9))
def test_no_ordinary_temperature_is_doubted(value: float) -> None:
    assert doubt(value, "°C") == ""


def test_a_repeat_is_judged_and_an_implausible_value_is_not() -> None:
    assert not left_out(REPEAT)
    assert not left_out("")


def _sweeps(*sweeps: tuple[float | None, ...]) -> list[list[bool]]:
    """Which temperatures of each sweep of one chip are doubted."""
    watch = ZeroWatch(["°C"] * len(sweeps[0]))
    return [
        [left_out(it.flag) for it in watch.doubt([Reading("t", value) for value in sweep])]
        for sweep in sweeps
    ]


def test_a_zero_from_the_start_beside_warmer_inputs_is_no_temperature() -> None:
    assert _sweeps((0.0, 38.0), (0.0, 38.5), (0.0, 21.0)) == [[True, False]] * 3
    assert _sweeps((0.0,), (0.0,)) == [[True], [True]]
    assert _sweeps((0.0, 0.0, 38.0)) == [[True, True, False]]


def test_a_cold_machine_may_stand_at_zero_from_the_start() -> None:
    assert _sweeps((0.0, -3.5), (0.0, 4.0)) == [[False, False]] * 2


def test_a_temperature_that_passes_through_zero_is_true_there_and_may_stay() -> None:
    falling = ((12.0,), (1.0,), (0.0,), (0.0,), (-1.0,), (0.0,), (0.0,))
    assert _sweeps(*falling) == [[False]] * 7


def test_a_warm_input_that_falls_to_exactly_zero_has_failed_until_it_reads_something_else() -> None:
    failing = ((68.0, 41.0), (0.0, 41.0), (0.0, 41.0), (66.0, 41.0))
    assert [first for first, _ in _sweeps(*failing)] == [False, True, True, False]


def test_a_zero_that_begins_to_move_was_a_temperature() -> None:
    assert _sweeps((0.0,), (1.0,), (0.0,)) == [[True], [False], [False]]


def test_missing_and_doubted_values_say_nothing_of_a_zero() -> None:
    assert _sweeps((None, 0.0), (None, 0.0)) == [[False, True]] * 2
    watch = ZeroWatch(["°C", "°C"])
    doubted = Reading("a", -5.0, flag="implausible: x")
    assert left_out(watch.doubt([doubted, Reading("b", 0.0)])[1].flag)


def test_other_units_may_be_zero() -> None:
    assert ZeroWatch(["V", "RPM"]).doubt([Reading("v", 0.0), Reading("f", 0.0)])[0].flag == ""


def test_a_whole_chip_at_zero_is_a_dead_bus_unless_each_input_came_there_from_nearby() -> None:
    units = ["°C"] * 3
    groups = inputs_that_may_die_together(units)

    def flags(*sweeps: tuple[float, float, float]) -> list[str]:
        watch = ZeroWatch(units)
        for sweep in sweeps:
            readings = watch.doubt([Reading("t", it) for it in sweep])
            last = doubt_whole_chip(readings, groups)
        return [it.flag for it in last]

    assert all("end of scale" in it for it in flags((0.0, 0.0, 0.0)))
    assert all("end of scale" in it for it in flags((2.0, 3.0, 61.0), (0.0, 0.0, 0.0)))
    assert flags((2.0, 3.0, 1.0), (0.0, 0.0, 0.0)) == ["", "", ""]


def _chip(values: list[float | None], unit: str) -> list[str]:
    readings = [Reading(str(index), value) for index, value in enumerate(values)]
    readings = [replace(it, flag=doubt(it.value or 0.0, unit)) for it in readings]
    groups = inputs_that_may_die_together([unit] * len(values))
    return [it.flag for it in doubt_whole_chip(readings, groups)]


def test_all_inputs_at_zero_or_full_scale_at_once_are_a_dead_bus() -> None:
    assert all(left_out(flag) for flag in _chip([0.0, 0.0, 0.0], "V"))
    assert all(left_out(flag) for flag in _chip([127.0] * 4, "°C"))


def test_a_few_zeros_differing_values_and_standing_fans_are_no_dead_bus() -> None:
    assert _chip([0.0, 0.0], "V") == ["", ""]
    assert _chip([0.0, 0.0, 1.2], "V") == ["", "", ""]
    assert _chip([0.0, 0.0, 0.0], "RPM") == ["", "", ""]
    assert _chip([None, None, None], "V") == ["", "", ""]
    assert _chip([1.2, 1.2, 1.2], "V") == ["", "", ""]
