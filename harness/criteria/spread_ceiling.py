"""Spread ceiling: the trials of a load repeat each other closely enough."""

from __future__ import annotations

import math
from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import Finding
from harness.results import CriterionResult
from harness.statistics.decision import Sense, decide_against_limit
from harness.statistics.quantiles import chi2_quantile
from harness.units import percent


class SpreadCeiling(LoadCriterion):
    """The coefficient of variation of each load's trials is at most `at_most_percent`."""

    title: ClassVar[str] = "Repeatability"
    needs: ClassVar[str] = "trials"
    criterion: Literal["spread-ceiling"] = "spread-ceiling"
    at_most_percent: float = Field(
        gt=0, le=100, description="Largest accepted coefficient of variation, in percent."
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The load with the widest spread decides."""
        loads = self.chosen(evidence)
        missing = [_why_not(load) for load in loads if load.result.cv_percent is None]
        found = [
            self._of(load, evidence.confidence, load.result.cv_percent)
            for load in loads
            if load.result.cv_percent is not None
        ]
        return self.decided_by(found, missing, self.at_most_percent, "%")

    def _of(self, load: LoadEvidence, confidence: float, cv_percent: float) -> Finding:
        count = load.result.trials if load.statistics is None else len(load.statistics.kept)
        low, high = spread_interval(cv_percent, count, confidence)
        decision = decide_against_limit(low, high, self.at_most_percent, Sense.AT_MOST)
        return Finding(
            subject=load.name,
            verdict=decision.verdict,
            measured=cv_percent,
            low=low,
            high=high,
            why=f"{count} trials of {load.name} spread by {percent(cv_percent)}, which allows for "
            f"a true spread of {percent(low)} to {percent(high)}; "
            f"{percent(self.at_most_percent)} is accepted: {decision.why}",
            distance=self.at_most_percent - cv_percent,
            uncertainty=f"{100 * confidence:g} % interval (chi-square, normal trials assumed)",
        )


def spread_interval(cv_percent: float, count: int, confidence: float) -> tuple[float, float]:
    """Interval of the true coefficient of variation of normal trials.

    (n - 1) s^2 / sigma^2 is chi-square with n - 1 degrees of freedom: NIST/SEMATECH e-Handbook
    1.3.5.8. The mean is taken as known, which is close for spreads of a few percent.
    """
    degrees = count - 1
    tail = (1.0 - confidence) / 2.0
    low = cv_percent * math.sqrt(degrees / chi2_quantile(1.0 - tail, degrees))
    high = cv_percent * math.sqrt(degrees / chi2_quantile(tail, degrees))
    return low, high


def _why_not(load: LoadEvidence) -> str:
    if not load.info.available:
        return f"{load.name} is not available here: {load.info.reason}"
    return f"{load.name} has no spread: {load.result.reason or 'fewer than two valid trials'}"
