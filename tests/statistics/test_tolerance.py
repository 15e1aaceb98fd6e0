"""Tolerance and prediction intervals; their factors are in tests/published."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from harness.statistics.tolerance import (
    howe_factor,
    prediction_interval,
    tolerance_factor,
    tolerance_interval,
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


def test_howes_factor_is_near_the_exact_one_for_few_values_and_meets_it_for_many() -> None:
    for count, close in ((5, 0.005), (500, 0.0005)):
        exact, howe = tolerance_factor(count, 0.95, 0.95), howe_factor(count, 0.95, 0.95)
        assert howe == pytest.approx(exact, rel=close)


def test_one_trial_predicts_nothing_and_says_so() -> None:
    for found in (prediction_interval([3.0]), tolerance_interval([3.0])):
        assert found.low is None
        assert found.reason == "1 trial: at least 2 are needed for an interval"


def test_shares_outside_nought_and_one_are_refused() -> None:
    with pytest.raises(ValueError, match="content=95"):
        tolerance_factor(10, 95, 0.95)
