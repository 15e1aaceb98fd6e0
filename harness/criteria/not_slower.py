"""Not slower: no load is shown to be slower than the baseline by more than the margin."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from harness.compared import WorkloadComparison
from harness.criteria.base import CriterionSpec
from harness.criteria.evidence import Evidence
from harness.criteria.judging import Finding, percent_beside
from harness.outcome import Verdict
from harness.results import CriterionResult
from harness.statistics.decision import LimitDecision
from harness.units import percent, stated


class NotSlower(CriterionSpec):
    """No load is shown slower than the baseline by more than the comparison's margin.

    Measured value, limit and reason are all shares of the baseline's speed, in percent.
    """

    title: ClassVar[str] = "Not slower than the baseline"
    criterion: Literal["not-slower"] = "not-slower"
    loads: tuple[str, ...] = Field(
        default=(), description="Names of the loads it is about; default: all with trials."
    )

    def load_names(self) -> tuple[str, ...]:
        """See :class:`CriterionSpec`."""
        return self.loads

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The load with the lowest ratio to the baseline decides."""
        comparison = evidence.comparison
        if comparison is None:
            return self.not_measured(evidence.comparison_reason, unit="%")
        floor = 100.0 / (1.0 + comparison.margin_percent / 100.0)
        chosen = [w for w in comparison.workloads if not self.loads or w.name in self.loads]
        decided = {item.name: evidence.not_slower.get(item.name) for item in chosen}
        missing = [
            f"{name} has no trials on both sides" for name in self.loads if name not in decided
        ]
        missing += [f"{item.name}: {item.why}" for item in chosen if item.ratio is None]
        found = [
            _of(item, decision, floor, comparison.margin_percent)
            for item in chosen
            if item.ratio is not None and (decision := decided[item.name]) is not None
        ]
        return self.decided_by(found, missing, floor, "%")


def _of(
    item: WorkloadComparison, decision: LimitDecision, floor: float, margin_percent: float
) -> Finding:
    ratio = item.ratio or 0.0
    return Finding(
        subject=item.name,
        verdict=decision.verdict,
        measured=100 * ratio,
        low=None if item.low is None else 100 * item.low,
        high=None if item.high is None else 100 * item.high,
        why=f"{item.name} ran at {percent_beside(100 * ratio, floor, digits=4)} of the baseline's "
        f"speed, at least {percent(floor, digits=4)} is asked for (a margin of "
        f"{stated(margin_percent, '%')}): "
        f"{_WORDS[decision.verdict]}",
        distance=100 * ratio - floor,
        uncertainty="interval of the ratio; decided by its one-sided limits",
    )


_WORDS = {
    Verdict.PASS: "not slower beyond that",
    Verdict.FAIL: "slower beyond that",
    Verdict.INCONCLUSIVE: "more trials, or more boots, are needed to tell",
}
