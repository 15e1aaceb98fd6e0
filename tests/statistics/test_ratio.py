"""Ratios on the log scale and by Fieller's theorem; scipy is the oracle in test_oracles."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.ratio import (
    fieller_limits,
    fieller_ratio,
    log_ratio_interval,
    logs_of,
    ratio_from_terms,
)

BEFORE = [100.0, 100.4, 99.7, 100.1, 99.9]
AFTER = [102.0, 102.3, 101.6, 102.2, 101.9]


def test_swapping_the_sides_inverts_the_ratio_and_its_limits() -> None:
    there, back = log_ratio_interval(BEFORE, AFTER), log_ratio_interval(AFTER, BEFORE)
    assert there.ratio is not None and there.low is not None and there.high is not None
    assert back.ratio == pytest.approx(1.0 / there.ratio)
    assert back.low == pytest.approx(1.0 / there.high)
    assert back.high == pytest.approx(1.0 / there.low)


def test_fieller_and_the_log_scale_agree_where_the_spread_is_small() -> None:
    log, fieller = log_ratio_interval(BEFORE, AFTER), fieller_ratio(BEFORE, AFTER)
    assert log.ratio == pytest.approx(fieller.ratio, rel=1e-5)
    assert log.low == pytest.approx(fieller.low, rel=1e-4)
    assert log.high == pytest.approx(fieller.high, rel=1e-4)


def test_a_denominator_near_nought_has_no_fieller_limits() -> None:
    found = fieller_limits(1.0, 0.1, 0.1, 0.1, 2.0)
    assert (found.low, found.high) == (None, None)
    assert found.g > 1.0
    assert found.reason == "the denominator is not shown to differ from 0"


def test_an_exact_denominator_leaves_the_numerators_interval() -> None:
    found = fieller_limits(10.0, 5.0, 1.0, 0.0, 2.0)
    assert (found.low, found.high) == pytest.approx((1.6, 2.4))


@pytest.mark.parametrize(
    ("before", "after", "reason"),
    [
        ([], BEFORE, "no trial on one side"),
        ([1.0], BEFORE, "1 trial: at least 2 are needed for an interval"),
        (BEFORE, [0.0, 1.0], "a ratio needs positive values"),
        (
            [2.0, 2.0],
            [3.0, 3.0],
            "zero spread: the trials do not differ, so their spread is not known",
        ),
    ],
)
def test_sides_without_an_interval_say_why(
    before: list[float], after: list[float], reason: str
) -> None:
    found = log_ratio_interval(before, after)
    assert (found.low, found.high, found.reason) == (None, None, reason)


def test_fieller_says_why_it_gives_no_ratio() -> None:
    assert fieller_ratio([1.0], BEFORE).reason == "1 trial: at least 2 are needed for an interval"
    assert fieller_ratio([-1.0, 1.0], BEFORE).reason == "mean of 0"


def test_known_variance_gives_the_normal_interval() -> None:
    found = ratio_from_terms(0.0, [(0.01**2, None)], 0.95, "known")
    assert found.high == pytest.approx(1.019793, rel=1e-6)


def test_only_positive_values_have_logarithms() -> None:
    assert logs_of([1.0, 0.0]) is None
    assert logs_of([1.0]) == [0.0]


@given(
    st.lists(st.floats(1.0, 1e4), min_size=2, max_size=12),
    st.lists(st.floats(1.0, 1e4), min_size=2, max_size=12),
    st.floats(0.01, 100.0),
)
def test_the_unit_of_the_values_does_not_matter(
    before: list[float], after: list[float], factor: float
) -> None:
    plain = log_ratio_interval(before, after)
    scaled = log_ratio_interval([v * factor for v in before], [v * factor for v in after])
    assert scaled.ratio == pytest.approx(plain.ratio, rel=1e-9)
    if plain.low is not None and plain.low > 1e-50:
        assert scaled.low == pytest.approx(plain.low, rel=1e-4)
