"""Named test plans of MIL-HDBK-781A."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import failure, soaked
from pydantic import ValidationError

from harness.criteria.demonstration import DemonstrationTest
from harness.judgement.analysis import analyse
from harness.outcome import Verdict
from harness.results import FailureKind
from reports.html import report_html


def plan(hours: float, failures: int, name: str = "XV-D", theta1: float = 1.0) -> Any:
    spec = DemonstrationTest(load="steady", plan=name, refused_mean_hours=theta1)
    return spec.judge(soaked(hours, failures))


@pytest.mark.parametrize(
    ("hours", "failures", "verdict"),
    [
        (9.3, 5, Verdict.PASS),
        (9.2, 5, Verdict.INCONCLUSIVE),
        (9.3, 6, Verdict.FAIL),
        (1.0, 6, Verdict.FAIL),
    ],
)
def test_plan_xv_d_accepts_five_failures_in_9_3_multiples(
    hours: float, failures: int, verdict: Verdict
) -> None:
    # MIL-HDBK-781A, plan XV-D: 9.3 theta1, reject at 6, accept at 5; risks 9.4 % and 9.9 %.
    result = plan(hours, failures)
    assert result.verdict is verdict
    assert "9.4 % to refuse a good machine, one failure in 3 h 00 min" in result.why
    assert "9.9 % to accept a bad one, one in 1 h 00 min" in result.why


def test_an_unknown_plan_is_refused_with_the_nearest() -> None:
    with pytest.raises(ValidationError, match="did you mean 'XV-D'"):
        DemonstrationTest(load="steady", plan="XVD", refused_mean_hours=1.0)


def test_a_profile_names_a_plan_and_its_verdict_and_risks_are_in_the_report() -> None:
    text = (
        "name: test\nloads: [{workload: spin, name: steady, soak_minutes: 10}]\naccept:\n"
        "  - {criterion: test-plan, load: steady, plan: XXI-D, refused_mean_hours: 0.1}\n"
    )
    quiet = soaked(0.2).data
    # MIL-HDBK-781A, plan XXI-D: 1.1 theta1, no failure; risks 30.7 % and 33.3 %.
    judged = analyse(replace(quiet, profile_text=text))
    (found,) = judged.criteria
    assert found.verdict is Verdict.PASS
    assert "30.7 % to refuse a good machine" in found.why
    assert "33.3 % to accept a bad one" in found.why
    assert "33.3\u00a0% to accept a bad one" in report_html(judged)


OWN = {"discrimination_ratio": 3.0, "producer_risk_percent": 10, "consumer_risk_percent": 10}


def test_a_plan_of_ones_own_is_made_from_its_risks() -> None:
    # Failure-terminated exponential plan for 0.10/0.10 and ratio 3: 6 failures (Epstein and
    # Sobel type), hence at most 5 here; chi2(0.9; 12) / 2 = 9.2747 theta1.
    spec = DemonstrationTest(load="steady", plan="own", refused_mean_hours=1.0, **OWN)
    assert spec.judge(soaked(9.28, 5)).verdict is Verdict.PASS
    result = spec.judge(soaked(9.27, 5))
    assert (result.verdict, result.limit) == (Verdict.INCONCLUSIVE, 5)
    assert "10.0 % to accept a bad one" in result.why


def test_an_own_plan_lacks_nothing_and_a_named_one_has_risks_of_its_own() -> None:
    with pytest.raises(ValidationError, match="an own plan needs producer_risk_percent"):
        DemonstrationTest(
            load="steady",
            plan="own",
            refused_mean_hours=1.0,
            **{**OWN, "producer_risk_percent": None},
        )
    with pytest.raises(ValidationError, match="remove discrimination_ratio"):
        DemonstrationTest(load="steady", plan="XV-D", refused_mean_hours=1.0, **OWN)


def test_failures_after_the_plans_time_do_not_count_and_are_told() -> None:
    # Plan XXI-D accepts no failure in 1.1 theta1: this one comes 4 h after the start of 10 h.
    late = failure(at_seconds=100.0 + 4 * 3600.0)
    quiet = soaked(10.0)
    spec = DemonstrationTest(load="steady", plan="XXI-D", refused_mean_hours=1.0)
    after = spec.judge(replace(quiet, data=replace(quiet.data, failures=(late,))))
    assert (after.verdict, after.measured) == (Verdict.PASS, 0)
    assert "1 more failure after the plan's time" in after.why
    early = replace(late, at_seconds=100.0 + 3600.0)
    within = spec.judge(replace(quiet, data=replace(quiet.data, failures=(early,))))
    assert (within.verdict, within.measured) == (Verdict.FAIL, 1)


def test_a_load_that_did_not_run_demonstrates_nothing() -> None:
    spec = DemonstrationTest(load="gone", plan="XV-D", refused_mean_hours=1.0)
    assert spec.judge(soaked(10.0)).measured is None


def test_a_restart_under_the_load_is_one_of_its_failures() -> None:
    restart = failure(
        FailureKind.MACHINE_RESTARTED, workload=None, lane=None, core=None, at_seconds=500.0
    )
    quiet = soaked(9.3, 5)
    more = replace(quiet.data, failures=(*quiet.data.failures, restart))
    spec = DemonstrationTest(load="steady", plan="XV-D", refused_mean_hours=1.0)
    result = spec.judge(replace(quiet, data=more))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 6)
