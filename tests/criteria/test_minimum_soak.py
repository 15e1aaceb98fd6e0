"""Minimum soak: judged to the second, the shortest decides."""

from __future__ import annotations

import pytest
from evidence_samples import (
    evidence,
    load_evidence,
    load_info,
    run_data,
    soak,
    working,
)

from harness.criteria.demonstration import DemonstrationTest
from harness.criteria.error_rate import ErrorRate
from harness.criteria.minimum_soak import MinimumSoak
from harness.criteria.no_failures import NoFailures
from harness.outcome import Ending, Verdict


@pytest.mark.parametrize(
    ("seconds", "ending", "verdict"),
    [
        (600.0, Ending.COMPLETED, Verdict.PASS),
        (599.7, Ending.COMPLETED, Verdict.PASS),
        (599.4, Ending.COMPLETED, Verdict.FAIL),
        (598.0, Ending.COMPLETED, Verdict.FAIL),
        (598.0, Ending.INTERRUPTED, Verdict.INCONCLUSIVE),
    ],
)
def test_a_soak_is_judged_to_the_second(seconds: float, ending: Ending, verdict: Verdict) -> None:
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(seconds),))
    judged = evidence(run_data(ending=ending), loads=(load,))
    assert MinimumSoak(minimum_minutes=10.0).judge(judged).verdict is verdict


@pytest.mark.parametrize(
    ("seconds", "verdict"), [(0.0, Verdict.FAIL), (0.1, Verdict.FAIL), (0.29, Verdict.PASS)]
)
def test_a_short_soak_is_judged_to_a_tenth_of_what_is_asked_for(
    seconds: float, verdict: Verdict
) -> None:
    # 0.005 minutes are 0.3 s: nought is within half a second of it, and no soak.
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(seconds),))
    assert MinimumSoak(minimum_minutes=0.005).judge(evidence(loads=(load,))).verdict is verdict


def test_the_shortest_soak_decides_and_stretches_add_up() -> None:
    long = load_evidence(load_info("long", 1, trials=0), (), (soak(400.0), soak(400.0)))
    short = load_evidence(load_info("short", 2, trials=0), (), (soak(300.0),))
    result = MinimumSoak(minimum_minutes=10.0).judge(evidence(loads=(long, short)))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 5.0)
    assert "short was sustained for 5 min 00 s" in result.why


def test_a_soak_that_is_not_available_cannot_be_covered_up_by_another() -> None:
    gone = load_evidence(load_info("gone", 2, trials=0, available=False, reason="no compiler"), ())
    good = load_evidence(load_info("long", 1, trials=0), (), (soak(700.0),))
    result = MinimumSoak(minimum_minutes=10.0).judge(evidence(loads=(good, gone)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "no compiler" in result.why


def test_a_lane_that_stopped_early_has_not_sustained_the_load() -> None:
    lanes = (working(0, 600.0), working(1, 240.0))
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(600.0, lanes=lanes),))
    result = MinimumSoak(minimum_minutes=10.0).judge(evidence(loads=(load,)))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 4.0)


def test_a_soak_of_some_seconds_that_verified_nothing_is_no_soak() -> None:
    lanes = (working(0, 8.0, passes=0, verified=0),)
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(8.0, lanes=lanes),))
    stopped = evidence(run_data(ending=Ending.INTERRUPTED), loads=(load,))
    result = MinimumSoak(minimum_minutes=10.0).judge(stopped)
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, 0.0)
    assert "because the run ended early" in result.why


@pytest.mark.parametrize(
    ("ending", "why"),
    [
        (Ending.COMPLETED, "steady did not run"),
        (Ending.INTERRUPTED, "the run ended before steady had run"),
        (Ending.AWAITING_BOOT, "steady has yet to run: soaks belong to the last boot"),
    ],
)
def test_a_soak_that_did_not_take_place_is_told_with_its_reason(ending: Ending, why: str) -> None:
    load = load_evidence(load_info("steady", 1, trials=0), ())
    result = MinimumSoak(minimum_minutes=10.0).judge(
        evidence(run_data(ending=ending), loads=(load,))
    )
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert result.why == f"not measured: {why}"


def test_a_run_that_ended_before_any_load_was_ready_names_no_rule_that_does_not_fit() -> None:
    stopped = evidence(run_data(ending=Ending.INTERRUPTED, loads=()), loads=())
    for rule in (
        MinimumSoak(minimum_minutes=10.0),
        MinimumSoak(minimum_minutes=10.0, loads=("steady",)),
        ErrorRate(at_most_per_hour=1.0, loads=("steady",)),
        NoFailures(),
        DemonstrationTest(load="steady", plan="XV-D", refused_mean_hours=1.0),
    ):
        assert rule.judge(stopped).why == "not measured: the run ended before any load was ready"
