"""Summaries of a list; the certified values are in tests/published."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.summary import (
    cv_percent_of,
    is_constant,
    lag1_of,
    mean_of,
    median_of,
    sd_of,
    sum_of_squares,
)

VALUES = st.lists(st.floats(1e-3, 1e9), min_size=2, max_size=40)


def test_equal_trials_have_spread_zero_and_no_autocorrelation() -> None:
    assert (sd_of([0.1] * 7), lag1_of([0.1] * 7)) == (0.0, None)


def test_a_mean_of_zero_has_no_coefficient_of_variation() -> None:
    assert cv_percent_of(0.0, 1.0) is None
    assert cv_percent_of(-2.0, 1.0) == 50.0


def test_an_alternating_series_has_an_autocorrelation_near_minus_one() -> None:
    assert lag1_of([1.0, -1.0] * 50) == pytest.approx(-0.99, abs=0.001)


def test_the_spread_of_a_tiny_wobble_on_a_large_level_is_kept() -> None:
    assert sd_of([1e9, 1e9 + 1, 1e9 + 2]) == 1.0


@given(VALUES, st.floats(0.001, 1000.0))
def test_scaling_the_unit_scales_mean_and_spread_alike(values: list[float], factor: float) -> None:
    scaled = [value * factor for value in values]
    assert mean_of(scaled) == pytest.approx(mean_of(values) * factor, rel=1e-12)
    assert sd_of(scaled) == pytest.approx(
        sd_of(values) * factor, rel=1e-6, abs=1e-9 * mean_of(scaled)
    )


@given(VALUES)
def test_the_order_of_trials_does_not_change_where_they_lie(values: list[float]) -> None:
    assert mean_of(values) == mean_of(values[::-1])
    assert median_of(values) == median_of(values[::-1])


@given(VALUES)
def test_squares_are_never_negative_and_autocorrelation_stays_within_one(
    values: list[float],
) -> None:
    assert sum_of_squares(values) >= 0.0
    lag1 = lag1_of(values)
    assert lag1 is None or (math.isfinite(lag1) and abs(lag1) <= 1.0 + 1e-9)
    assert is_constant(values) == (len(set(values)) == 1)
