"""Limits of a ratio; whole comparisons against their oracles are in test_between_runs."""

from __future__ import annotations

import pytest

from harness.statistics.ratio import fieller_limits, logs_of, ratio_from_terms


def test_a_denominator_near_nought_has_no_fieller_limits() -> None:
    found = fieller_limits(1.0, 0.1, 0.1, 0.1, 2.0)
    assert (found.low, found.high) == (None, None)
    assert found.g > 1.0
    assert found.reason == "the denominator is not shown to differ from 0"


def test_an_exact_denominator_leaves_the_numerators_interval() -> None:
    found = fieller_limits(10.0, 5.0, 1.0, 0.0, 2.0)
    assert (found.low, found.high) == pytest.approx((1.6, 2.4))


def test_known_variance_gives_the_normal_interval() -> None:
    found = ratio_from_terms(0.0, [(0.01**2, None)], 0.95, "known")
    assert found.high == pytest.approx(1.019793, rel=1e-6)


def test_only_positive_values_have_logarithms() -> None:
    assert logs_of([1.0, 0.0]) is None
    assert logs_of([1.0]) == [0.0]


def test_no_variance_is_no_interval_and_says_why() -> None:
    found = ratio_from_terms(0.1, [(0.0, 4.0)], 0.95, "flat")
    assert (found.low, found.high) == (None, None)
    assert found.ratio == pytest.approx(1.10517, rel=1e-5)
    assert found.reason == "zero spread: the trials do not differ, so their spread is not known"
