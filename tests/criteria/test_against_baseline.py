"""Criteria that need a baseline: a share of its speed, and not slower."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import evidence

from harness.criteria.not_slower import NotSlower
from harness.criteria.throughput_floor import ThroughputFloor
from harness.outcome import Verdict
from harness.results import Comparison, WorkloadComparison
from harness.statistics.decision import LimitDecision


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
    assert "spin changed by −1.00 %" in result.why


def test_a_load_without_a_ratio_forbids_the_pass_of_the_others() -> None:
    comparison = compared(None, None, None)
    good = replace(comparison.workloads[0], name="roll", ratio=1.0, low=0.999, high=1.001)
    both = replace(comparison, workloads=(good, *comparison.workloads))
    decisions = {"roll": LimitDecision(Verdict.PASS, ""), "spin": LimitDecision(Verdict.PASS, "")}
    result = NotSlower().judge(evidence(comparison=both, not_slower=decisions))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "spin: thin" in result.why
