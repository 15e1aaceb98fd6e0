"""Tolerance and prediction intervals; their factors are in tests/published."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from harness.statistics.tolerance import (
    free_tolerance_count,
    free_tolerance_interval,
    howe_factor,
    prediction_interval,
    tolerance_factor,
    tolerance_interval,
    where_trials_fall,
)


def test_the_next_trial_falls_inside_as_often_as_claimed() -> None:
    rows = np.random.default_rng(1).normal(100.0, 1.0, size=(6000, 6)).tolist()
    inside = 0
    for *shown, following in rows:
        found = prediction_interval(shown, 0.9)
        assert found.low is not None and found.high is not None
        inside += found.low <= following <= found.high
    assert inside / 6000 == pytest.approx(0.9, abs=0.012)


def test_the_stated_share_of_trials_is_held_with_the_stated_confidence() -> None:
    rows = np.random.default_rng(2).normal(size=(4000, 8)).tolist()
    held = 0
    for row in rows:
        found = tolerance_interval(row, content=0.9, confidence=0.95)
        held += norm.cdf(found.high) - norm.cdf(found.low) >= 0.9
    assert held / 4000 == pytest.approx(0.95, abs=0.011)


def test_dependent_trials_count_for_what_they_are_worth() -> None:
    values = np.random.default_rng(5).normal(100.0, 1.0, 20).tolist()
    few, many = (tolerance_interval(values, effective_count=worth) for worth in (6.9, None))
    assert few.half_width is not None and many.half_width is not None
    expected = tolerance_factor(6, 0.95, 0.95) / tolerance_factor(20, 0.95, 0.95)
    assert few.half_width / many.half_width == pytest.approx(expected)
    assert tolerance_interval(values, effective_count=1.5).low is None


@pytest.mark.parametrize(
    ("content", "confidence", "count"), [(0.95, 0.95, 93), (0.9, 0.95, 46), (0.99, 0.95, 473)]
)
def test_the_extremes_of_93_trials_hold_95_percent(
    content: float, confidence: float, count: int
) -> None:
    """Wilks (1941), the usual table of sample sizes, from memory."""
    assert free_tolerance_count(content, confidence) == count


def test_limits_without_an_assumed_distribution_hold_their_share_of_skewed_trials() -> None:
    rows = np.random.default_rng(4).exponential(size=(2000, 50)).tolist()
    held = 0
    for row in rows:
        found = free_tolerance_interval(row, content=0.9, confidence=0.95)
        held += np.exp(-found.low) - np.exp(-found.high) >= 0.9
    # P(beta(49, 2) >= 0.9) = 0.9662: 50 are four more than are needed.
    assert held / 2000 == pytest.approx(0.9662, abs=0.013)


def test_skewed_or_straying_trials_get_no_normal_limits() -> None:
    normal = np.random.default_rng(6).normal(100.0, 1.0, 30).tolist()
    skewed = np.random.default_rng(6).lognormal(0.0, 1.0, 30).tolist()
    assert where_trials_fall(normal).method == "tolerance"
    for found in (where_trials_fall(skewed), where_trials_fall(normal, straying=True)):
        assert found.low is None
        assert found.reason is not None and "93 are needed" in found.reason


def test_trials_that_depend_on_each_other_need_as_many_independent_ones_without_a_shape() -> None:
    skewed = np.random.default_rng(6).lognormal(0.0, 1.0, 120).tolist()
    # 93 independent trials are needed (Wilks 1941).
    assert where_trials_fall(skewed, effective_count=93.9).low == min(skewed)
    found = where_trials_fall(skewed, effective_count=92.9)
    assert found.low is None
    assert found.reason is not None
    assert found.reason.startswith("120 trials, worth 92 independent ones, that look unlike")


def test_howes_factor_is_near_the_exact_one_for_few_values_and_meets_it_for_many() -> None:
    for count, close in ((5, 0.005), (500, 0.0005)):
        exact, howe = tolerance_factor(count, 0.95, 0.95), howe_factor(count, 0.95, 0.95)
        assert howe == pytest.approx(exact, rel=close)


def test_one_trial_predicts_nothing_and_says_so() -> None:
    found_by = (prediction_interval, tolerance_interval, free_tolerance_interval)
    for found in (interval([3.0]) for interval in found_by):
        assert found.low is None
        assert found.reason == "1 trial: at least 2 are needed for an interval"


def test_shares_outside_nought_and_one_are_refused() -> None:
    with pytest.raises(ValueError, match="content=95"):
        tolerance_factor(10, 95, 0.95)
