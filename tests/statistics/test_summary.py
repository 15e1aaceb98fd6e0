"""Summaries of a list; the certified values are in tests/published."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.summary import is_constant, lag1_of, sd_of, sum_of_squares, summarise

VALUES = st.lists(st.floats(1e-3, 1e9), min_size=2, max_size=40)


def test_nothing_measured_has_no_mean_and_says_so() -> None:
    found = summarise([])
    assert found.count == 0
    assert (found.mean, found.sd, found.cv_percent, found.median, found.lag1) == (None,) * 5
    assert found.reason == "no trial"


def test_one_trial_has_a_mean_but_no_spread() -> None:
    found = summarise([7.0])
    assert (found.mean, found.median) == (7.0, 7.0)
    assert (found.sd, found.cv_percent, found.lag1) == (None, None, None)
    assert found.reason == "one trial has no spread"


def test_equal_trials_have_spread_zero_and_no_autocorrelation() -> None:
    found = summarise([0.1] * 7)
    assert (found.sd, found.lag1, found.reason) == (0.0, None, "zero spread")


def test_a_mean_of_zero_has_no_coefficient_of_variation() -> None:
    assert summarise([-1.0, 1.0]).cv_percent is None


def test_an_alternating_series_has_an_autocorrelation_near_minus_one() -> None:
    assert lag1_of([1.0, -1.0] * 50) == pytest.approx(-0.99, abs=0.001)


def test_the_spread_of_a_tiny_wobble_on_a_large_level_is_kept() -> None:
    assert sd_of([1e9, 1e9 + 1, 1e9 + 2]) == 1.0


@given(VALUES, st.floats(0.001, 1000.0))
def test_scaling_the_unit_scales_mean_and_spread_alike(values: list[float], factor: float) -> None:
    plain, scaled = summarise(values), summarise([value * factor for value in values])
    assert plain.mean is not None and plain.sd is not None
    assert scaled.mean == pytest.approx(plain.mean * factor, rel=1e-12)
    assert scaled.sd == pytest.approx(plain.sd * factor, rel=1e-6, abs=1e-9 * scaled.mean)


@given(VALUES)
def test_the_order_of_trials_changes_nothing_but_the_autocorrelation(values: list[float]) -> None:
    first, second = summarise(values), summarise(values[::-1])
    assert first.mean == second.mean
    assert (first.median, first.minimum, first.maximum) == (
        second.median,
        second.minimum,
        second.maximum,
    )


@given(VALUES)
def test_squares_are_never_negative_and_autocorrelation_stays_within_one(
    values: list[float],
) -> None:
    assert sum_of_squares(values) >= 0.0
    lag1 = lag1_of(values)
    assert lag1 is None or (math.isfinite(lag1) and abs(lag1) <= 1.0 + 1e-9)
    assert is_constant(values) == (len(set(values)) == 1)
