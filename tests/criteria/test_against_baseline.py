"""Criteria that need a baseline: a share of its speed, and not slower."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import evidence

from harness.compared import Comparison, WorkloadComparison
from harness.criteria.evidence import RatioGuard
from harness.criteria.not_slower import NotSlower
from harness.criteria.throughput_floor import ThroughputFloor
from harness.outcome import Verdict
from harness.results import CriterionResult
from harness.statistics.decision import LimitDecision
from reports.wording import criterion_limit, criterion_measured


def compared(ratio: float | None, low: float | None, high: float | None) -> Comparison:
    item = WorkloadComparison(
        "spin", "turn/s", ratio, low, high, "undecided", low, high, 6, 6, 1, 1, None, None, "thin"
    )
    return Comparison(0.95, 1.0, (item,), {}, (), (), "across boots", 1)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (0.985, 1.01, Verdict.PASS),
        (0.97, 1.01, Verdict.INCONCLUSIVE),
        (0.95, 0.97, Verdict.FAIL),
    ],
)
def test_a_share_of_the_baseline_is_judged_by_the_interval_of_the_ratio(
    low: float, high: float, verdict: Verdict
) -> None:
    spec = ThroughputFloor(load="spin", at_least_percent_of_baseline=98.0)
    result = spec.judge(evidence(comparison=compared((low + high) / 2, low, high)))
    assert (result.verdict, result.unit) == (verdict, "%")
    assert result.measured == pytest.approx(50 * (low + high))


def test_without_a_baseline_a_share_of_it_is_not_measured() -> None:
    spec = ThroughputFloor(load="spin", at_least_percent_of_baseline=98.0)
    assert "no baseline was given" in spec.judge(evidence()).why


@pytest.mark.parametrize("verdict", [Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE])
def test_not_slower_takes_the_guarded_verdict_of_the_comparison(verdict: Verdict) -> None:
    result = NotSlower().judge(
        evidence(
            comparison=compared(0.99, 0.97, 1.01),
            not_slower={"spin": LimitDecision(verdict, "")},
        )
    )
    assert result.verdict is verdict
    assert result.limit == pytest.approx(100 / 1.01)
    # The limit is a ratio as the measured value is, and the reason speaks of the same.
    assert (result.measured, result.low, result.high) == pytest.approx((99.0, 97.0, 101.0))
    assert "spin ran at 99.00 % of the baseline's speed, at least 99.01 %" in result.why
    assert criterion_limit(result) == "99.0 %"
    assert criterion_measured(result) == "99.0 ± 2.0 %"


def test_a_load_without_a_ratio_forbids_the_pass_of_the_others() -> None:
    comparison = compared(None, None, None)
    good = replace(comparison.workloads[0], name="roll", ratio=1.0, low=0.999, high=1.001)
    both = replace(comparison, workloads=(good, *comparison.workloads))
    decisions = {"roll": LimitDecision(Verdict.PASS, ""), "spin": LimitDecision(Verdict.PASS, "")}
    result = NotSlower().judge(evidence(comparison=both, not_slower=decisions))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "spin: thin" in result.why


def share(guard: RatioGuard, **more: object) -> CriterionResult:
    """98 % of the baseline asked for, 99 % to 101 % seen in the trials kept."""
    spec = ThroughputFloor(load="spin", at_least_percent_of_baseline=98.0)
    found = evidence(comparison=compared(1.0, 0.99, 1.01), ratio_guards={"spin": guard})
    return spec.judge(replace(found, **more))  # type: ignore[arg-type]


def test_a_share_of_the_baseline_is_decided_by_the_limits_adjusted_for_all_loads() -> None:
    comparison = compared(0.99, 0.985, 0.995)
    wider = replace(comparison.workloads[0], decision_low=0.97, decision_high=1.01)
    spec = ThroughputFloor(load="spin", at_least_percent_of_baseline=98.0)
    result = spec.judge(evidence(comparison=replace(comparison, workloads=(wider,))))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert (result.low, result.high) == pytest.approx((97.0, 101.0))


def test_a_ratio_in_doubt_decides_no_share() -> None:
    assert share(RatioGuard()).verdict is Verdict.PASS
    result = share(RatioGuard(doubt="not steady: the trials drift by 3 %"))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "not steady" in result.why


def test_a_share_that_hangs_on_rejected_trials_is_undecided() -> None:
    opposed = RatioGuard(rejected=True, low_all=0.90, high_all=0.95)
    assert share(opposed).verdict is Verdict.INCONCLUSIVE
    straddling = RatioGuard(rejected=True, low_all=0.95, high_all=1.01)
    assert share(straddling).verdict is Verdict.INCONCLUSIVE
    agreeing = RatioGuard(rejected=True, low_all=0.985, high_all=1.01)
    assert share(agreeing).verdict is Verdict.PASS


def test_a_named_load_that_was_not_compared_forbids_the_pass() -> None:
    comparison = compared(1.0, 0.999, 1.001)
    decisions = {"spin": LimitDecision(Verdict.PASS, "")}
    found = evidence(comparison=comparison, not_slower=decisions)
    assert NotSlower(loads=("spin",)).judge(found).verdict is Verdict.PASS
    result = NotSlower(loads=("spin", "gone")).judge(found)
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "gone has no trials on both sides" in result.why
