"""Minimum soak: judged to the second, the shortest decides."""

from __future__ import annotations

import pytest
from evidence_samples import (
    evidence,
    load_evidence,
    load_info,
    run_data,
    soak,
)

from harness.criteria.minimum_soak import MinimumSoak
from harness.outcome import Ending, Verdict


@pytest.mark.parametrize(
    ("seconds", "ending", "verdict"),
    [
        (600.0, Ending.COMPLETED, Verdict.PASS),
        (599.7, Ending.COMPLETED, Verdict.PASS),
        (598.0, Ending.COMPLETED, Verdict.FAIL),
        (598.0, Ending.INTERRUPTED, Verdict.INCONCLUSIVE),
    ],
)
def test_a_soak_is_judged_to_the_second(seconds: float, ending: Ending, verdict: Verdict) -> None:
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(seconds),))
    judged = evidence(run_data(ending=ending), loads=(load,))
    assert MinimumSoak(minimum_minutes=10.0).judge(judged).verdict is verdict


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
