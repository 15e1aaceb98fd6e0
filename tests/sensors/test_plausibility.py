"""Stated rules for values that cannot be true."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors.contract import Reading
from harness.sensors.plausibility import (
    REPEAT,
    doubt,
    doubt_whole_chip,
    inputs_that_may_die_together,
    left_out,
)


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        (127.0, "°C"),
        (-128.0, "°C"),
        (-273.15, "°C"),
        (-300.0, "°C"),
        (0.0, "°C"),
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
    [(71.25, "°C"), (-42.0, "°C"), (99.9, "°C"), (0.0, "RPM"), (12_000.0, "RPM"), (0.0, "V"),
     (-11.9, "V"), (1.2, "V"), (0.0, "W"), (400.0, "W"), (5.7e9, "Hz"), (7.0, "of 255")],
)  # fmt: skip
def test_values_that_may_be_true_are_left_alone(value: float, unit: str) -> None:
    assert doubt(value, unit) == ""


@given(st.floats(0.001, 126.9))
def test_no_ordinary_temperature_is_doubted(value: float) -> None:
    assert doubt(value, "°C") == ""


def test_a_repeat_is_judged_and_an_implausible_value_is_not() -> None:
    assert not left_out(REPEAT)
    assert not left_out("")


def _chip(values: list[float | None], unit: str) -> list[str]:
    readings = [Reading(str(index), value) for index, value in enumerate(values)]
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
