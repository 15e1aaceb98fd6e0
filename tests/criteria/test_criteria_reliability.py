"""Criteria on reliability: demonstrated error rate, named test plans, whose failure it was."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import (
    evidence,
    failure,
    lane,
    load_evidence,
    load_info,
    run_data,
    soak,
)
from pydantic import ValidationError

from harness.criteria.attribution import failures_of
from harness.criteria.demonstration import DemonstrationTest
from harness.criteria.error_rate import ErrorRate
from harness.criteria.evidence import Evidence
from harness.criteria.exposure import exposure_of
from harness.outcome import Verdict
from harness.results import FailureKind

INFO = load_info("steady", 1, trials=0)


def soaked(hours: float, failures: int = 0, **more: Any) -> Evidence:
    """A soak of `hours` on two cores with failures spread over it, all on core 5."""
    long = soak(hours * 3600, **more)
    failed = tuple(failure(at_seconds=200.0 + number) for number in range(failures))
    data = run_data(loads=(replace(INFO, workload="spin"),), soaks=(long,), failures=failed)
    load = load_evidence(data.loads[0], (), (long,))
    return evidence(data, loads=(load,))


# NIST/SEMATECH e-Handbook 8.4.5.1: 800 hours with 2 failures bound the mean time between failures
# below by 127.069 h at 95 % (one-sided); without failure by 267.047 h.
@pytest.mark.parametrize(("failures", "mean_hours"), [(2, 127.0690), (0, 267.0466)])
def test_the_demonstrated_rate_is_the_published_bound(failures: int, mean_hours: float) -> None:
    result = ErrorRate(at_most_per_hour=1 / 127).judge(soaked(800.0, failures))
    assert result.verdict is Verdict.PASS
    assert result.measured == pytest.approx(1 / mean_hours, rel=1e-6)


def test_no_failure_in_too_short_a_time_is_undecided_and_says_what_would_do() -> None:
    result = ErrorRate(at_most_per_hour=0.01).judge(soaked(10.0))
    assert result.verdict is Verdict.INCONCLUSIVE
    # -ln(0.05) / 0.01 = 299.57 hours (e-Handbook 8.3.1.1: factor 3.00 times 100 hours)
    assert "12 d 12 h without another would demonstrate it" in result.why


def test_more_failures_than_the_rate_allows_fail() -> None:
    result = ErrorRate(at_most_per_hour=0.01).judge(soaked(10.0, 5))
    assert result.verdict is Verdict.FAIL
    assert result.low is not None
    assert result.low > 0.01


def test_the_weakest_core_counts_and_core_hours_are_never_added_up() -> None:
    lanes = (lane(0, seconds=36_000.0), lane(1, seconds=3_600.0))
    machine = ErrorRate(at_most_per_hour=1.0).judge(soaked(10.0, lanes=lanes))
    core = ErrorRate(at_most_per_hour=1.0, per="core").judge(soaked(10.0, lanes=lanes))
    assert machine.verdict is Verdict.PASS
    assert core.verdict is Verdict.INCONCLUSIVE
    assert "steady on core 5" in core.why


def test_trials_count_as_time_under_load_too() -> None:
    done = exposure_of(load_evidence(), evidence())
    assert done.machine_hours == pytest.approx(6 * 3.0 / 3600)
    assert done.cores == {"core 4": (pytest.approx(18 / 3600), 0),
                          "core 5": (pytest.approx(18 / 3600), 0)}  # fmt: skip


# --- named plans --------------------------------------------------------------------------------


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


# --- whose failure ------------------------------------------------------------------------------

TWO = (load_info(), replace(load_info("other", 1, trials=0), workload="spin"))


@pytest.mark.parametrize(
    ("at_seconds", "owners"),
    [
        (12.0, ["spin"]),
        (150.0, ["other"]),
        (704.0, ["other"]),
        (5.0, ["spin", "other"]),
        (900.0, ["spin", "other"]),
    ],
)
def test_a_failure_belongs_to_the_load_that_ran_and_else_to_all_of_its_workload(
    at_seconds: float, owners: list[str]
) -> None:
    data = run_data(loads=TWO, failures=(failure(at_seconds=at_seconds),))
    assert [load.name for load in TWO if failures_of(load, data)] == owners


def test_a_failure_of_another_workload_belongs_to_none() -> None:
    data = run_data(loads=TWO, failures=(failure(workload="roll", at_seconds=12.0),))
    assert [failures_of(load, data) for load in TWO] == [(), ()]


def test_a_machine_that_restarted_is_no_error_of_a_load() -> None:
    data = run_data(failures=(failure(FailureKind.MACHINE_RESTARTED, at_seconds=12.0),))
    assert exposure_of(load_evidence(), evidence(data)).failures == 0
