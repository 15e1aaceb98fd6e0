"""Named test plans of MIL-HDBK-781A."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import failure, soaked
from pydantic import ValidationError

from harness.criteria.demonstration import DemonstrationTest
from harness.outcome import Verdict
from harness.results import FailureKind


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
    assert "9.4 % to refuse a good machine, 9.9 % to accept a bad one" in result.why


def test_an_unknown_plan_is_refused_with_the_nearest() -> None:
    with pytest.raises(ValidationError, match="did you mean 'XV-D'"):
        DemonstrationTest(load="steady", plan="XVD", refused_mean_hours=1.0)


def test_a_restart_under_the_load_is_one_of_its_failures() -> None:
    restart = failure(
        FailureKind.MACHINE_RESTARTED, workload=None, lane=None, core=None, at_seconds=500.0
    )
    quiet = soaked(9.3, 5)
    more = replace(quiet.data, failures=(*quiet.data.failures, restart))
    spec = DemonstrationTest(load="steady", plan="XV-D", refused_mean_hours=1.0)
    result = spec.judge(replace(quiet, data=more))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 6)
