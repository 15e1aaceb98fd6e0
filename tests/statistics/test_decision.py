"""Decisions against limits and margins, and over families."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.outcome import Verdict
from harness.statistics.decision import (
    Change,
    LimitDecision,
    Sense,
    decide_against_limit,
    decide_change,
    decide_with_and_without,
    holm_levels,
)


@pytest.mark.parametrize(
    ("low", "high", "sense", "verdict"),
    [
        (101.0, 103.0, Sense.AT_LEAST, Verdict.PASS),
        (100.0, 103.0, Sense.AT_LEAST, Verdict.PASS),
        (99.0, 103.0, Sense.AT_LEAST, Verdict.INCONCLUSIVE),
        (97.0, 99.9, Sense.AT_LEAST, Verdict.FAIL),
        (97.0, 100.0, Sense.AT_LEAST, Verdict.INCONCLUSIVE),
        (97.0, 99.0, Sense.AT_MOST, Verdict.PASS),
        (97.0, 100.0, Sense.AT_MOST, Verdict.PASS),
        (99.0, 101.0, Sense.AT_MOST, Verdict.INCONCLUSIVE),
        (100.1, 101.0, Sense.AT_MOST, Verdict.FAIL),
    ],
)
def test_the_whole_interval_decides_against_a_limit_of_100(
    low: float, high: float, sense: Sense, verdict: Verdict
) -> None:
    """Guarded acceptance and rejection: ISO 14253-1:2017, JCGM 106:2012 section 8.3."""
    assert decide_against_limit(low, high, 100.0, sense).verdict is verdict


def test_a_missing_interval_decides_nothing() -> None:
    found = decide_against_limit(None, None, 100.0, Sense.AT_LEAST)
    assert found == LimitDecision(Verdict.INCONCLUSIVE, "no interval to decide with")


def test_limits_out_of_order_are_a_bug() -> None:
    with pytest.raises(ValueError, match=r"low=2\.0 exceeds high=1\.0"):
        decide_against_limit(2.0, 1.0, 0.0, Sense.AT_MOST)


@given(st.floats(-1e6, 1e6), st.floats(0.0, 1e6), st.floats(-1e6, 1e6))
def test_turning_the_axis_round_turns_the_sense_round(
    low: float, width: float, limit: float
) -> None:
    high = low + width
    up = decide_against_limit(low, high, limit, Sense.AT_LEAST)
    down = decide_against_limit(-high, -low, -limit, Sense.AT_MOST)
    assert up.verdict is down.verdict


PASSED, FAILED, OPEN = (
    LimitDecision(v, "") for v in (Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE)
)


@pytest.mark.parametrize(
    ("without", "with_all", "verdict"),
    [
        (PASSED, PASSED, Verdict.PASS),
        (FAILED, FAILED, Verdict.FAIL),
        (OPEN, OPEN, Verdict.INCONCLUSIVE),
        (PASSED, FAILED, Verdict.INCONCLUSIVE),
        (FAILED, PASSED, Verdict.INCONCLUSIVE),
        (PASSED, OPEN, Verdict.INCONCLUSIVE),
        (FAILED, OPEN, Verdict.INCONCLUSIVE),
        (OPEN, PASSED, Verdict.INCONCLUSIVE),
        (OPEN, FAILED, Verdict.INCONCLUSIVE),
    ],
)
def test_a_decision_that_hangs_on_rejection_is_inconclusive(
    without: LimitDecision, with_all: LimitDecision, verdict: Verdict
) -> None:
    assert decide_with_and_without(without, with_all).verdict is verdict


def test_a_decision_that_hangs_on_rejection_names_both_and_the_remedy() -> None:
    assert decide_with_and_without(PASSED, OPEN).why == (
        "pass without the rejected trials, inconclusive with them: "
        "remove what disturbed them and measure again"
    )


@pytest.mark.parametrize(
    ("low", "high", "change"),
    [
        (0.995, 1.005, Change.EQUIVALENT),
        (1.001, 1.009, Change.EQUIVALENT),
        (1.001, 1.02, Change.FASTER),
        (1.03, 1.05, Change.FASTER),
        (0.98, 0.999, Change.SLOWER),
        (0.98, 1.02, Change.UNDECIDED),
        (0.995, 1.02, Change.UNDECIDED),
        (0.991, 0.999, Change.EQUIVALENT),
        (None, None, Change.UNDECIDED),
    ],
)
def test_equivalence_comes_before_faster_and_slower(
    low: float | None, high: float | None, change: Change
) -> None:
    assert decide_change(low, high, 1.0) is change


@given(st.floats(0.5, 1.5), st.floats(1.0, 1.2), st.floats(0.1, 10.0))
def test_swapping_the_sides_swaps_the_decision(low: float, factor: float, margin: float) -> None:
    swapped = {Change.FASTER: Change.SLOWER, Change.SLOWER: Change.FASTER}
    high = low * factor
    edge = 1.0 + margin / 100.0
    if min(abs(limit - bound) for limit in (low, high) for bound in (1.0, edge, 1 / edge)) < 1e-9:
        return  # on an edge, rounding decides
    there, back = decide_change(low, high, margin), decide_change(1 / high, 1 / low, margin)
    assert back is swapped.get(there, there)


def test_holms_levels_fall_from_alpha_over_m_and_stop_at_the_first_not_shown() -> None:
    assert holm_levels([0.001, 0.02, 0.9], 0.06) == pytest.approx((0.02, 0.03, 0.06))
    assert holm_levels([0.5, 0.001, 0.6], 0.06) == pytest.approx((0.03, 0.02, 0.03))
    assert holm_levels([0.5, 0.4, 0.6], 0.06) == pytest.approx((0.02, 0.02, 0.02))


def test_each_member_spends_its_own_share_over_the_looks() -> None:
    found = holm_levels([0.001, 0.02, 0.9], 0.06, lambda share: share / 2)
    assert found == pytest.approx((0.01, 0.03 / 2, 0.03 / 2))


def test_what_was_not_measured_is_no_member_of_the_family() -> None:
    assert holm_levels([None, 0.5, 0.4], 0.06) == pytest.approx((0.06, 0.03, 0.03))
    assert holm_levels([], 0.05) == ()
