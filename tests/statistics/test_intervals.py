"""Student and order-statistic intervals; scipy is the oracle in test_oracles."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.intervals import (
    median_coverage,
    median_interval,
    median_rank,
    student_interval,
)

VALUES = st.lists(st.floats(1.0, 1e6), min_size=2, max_size=30)


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ([], "no trial"),
        ([5.0], "1 trial: at least 2 are needed for an interval"),
        ([5.0] * 4, "zero spread: the trials do not differ, so their spread is not known"),
    ],
)
def test_degenerate_trials_give_no_interval_and_a_reason(values: list[float], reason: str) -> None:
    for found in (student_interval(values), median_interval(values)):
        assert (found.low, found.high, found.half_width) == (None, None, None)
        assert found.reason == reason
        assert found.estimate == (values[0] if values else None)


def test_fewer_effective_trials_widen_the_interval_by_error_and_by_degrees() -> None:
    values = [99.0, 100.0, 101.0, 100.5, 99.5, 100.2]
    plain, widened = student_interval(values), student_interval(values, effective_count=3.0)
    assert plain.half_width is not None and widened.half_width is not None
    assert widened.half_width > plain.half_width * (6 / 3) ** 0.5
    assert widened.degrees == 2.0
    assert plain.estimate == widened.estimate


def test_trials_worth_less_than_two_give_no_interval() -> None:
    found = student_interval([1.0, 2.0, 3.0], effective_count=1.4)
    assert found.low is None
    assert found.reason == "the trials are worth only 1.4 independent ones"


def test_no_95_percent_interval_of_a_median_exists_under_six_trials() -> None:
    found = median_interval([1.0, 2.0, 3.0, 4.0, 5.0])
    assert found.low is None
    assert found.reason == "5 trials: no 95 % interval of a median exists under 6 trials"
    assert median_rank(6, 0.95) == 1
    assert median_coverage(6, 1) == pytest.approx(0.96875)


def test_the_median_interval_of_six_lies_just_inside_the_extremes() -> None:
    found = median_interval([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    assert found.estimate == 3.5
    assert found.low is not None and found.high is not None
    # A tenth of the way from 96.875 to 78.125 % of coverage, so 5/14 of the way between ranks.
    assert found.low == pytest.approx(1.0 + 5.0 / 14.0)
    assert found.high == pytest.approx(6.0 - 5.0 / 14.0)


@pytest.mark.parametrize("count", [6, 9, 20])
def test_the_median_interval_covers_95_percent_over_normal_and_skewed_values(count: int) -> None:
    generator = np.random.default_rng(count)
    for draw, truth in (
        (generator.standard_normal, 0.0),
        (generator.standard_exponential, np.log(2)),
    ):
        limits = [median_interval(row) for row in draw((4000, count)).tolist()]
        covered = np.mean([item.low <= truth <= item.high for item in limits])  # type: ignore[operator]
        assert 0.94 < covered < 0.965


def test_a_confidence_in_percent_is_refused() -> None:
    with pytest.raises(ValueError, match="confidence=95: must lie between 0 and 1"):
        student_interval([1.0, 2.0], 95)


@given(VALUES)
def test_the_interval_holds_its_estimate_and_grows_with_the_confidence(
    values: list[float],
) -> None:
    narrow, wide = student_interval(values, 0.8), student_interval(values, 0.99)
    if narrow.low is None:
        assert len(set(values)) == 1
        return
    assert wide.low is not None and wide.high is not None and narrow.high is not None
    assert narrow.estimate is not None
    assert wide.low <= narrow.low <= narrow.estimate <= narrow.high <= wide.high


@given(VALUES, st.floats(0.5, 0.99))
def test_median_limits_are_within_the_values_and_in_order(
    values: list[float], confidence: float
) -> None:
    found = median_interval(values, confidence)
    if found.low is not None and found.high is not None and found.estimate is not None:
        assert min(values) <= found.low <= found.estimate <= found.high <= max(values)
