"""Spread ceiling: the trials of a load repeat each other closely enough."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import Finding, percent_beside, plural
from harness.results import KEPT_STATES, CriterionResult
from harness.statistics.decision import (
    LimitDecision,
    Sense,
    decide_against_limit,
    decide_with_and_without,
)
from harness.statistics.quantiles import chi2_quantile
from harness.statistics.summary import cv_percent_of, mean_of, sum_of_squares
from harness.units import stated

#: States of the mean's trials and of those left out after their values were seen.
_WITH_REJECTED = (*KEPT_STATES, "rejected")


@dataclass(frozen=True)
class Spread:
    """Coefficient of variation of trials within their boots, and the degrees of freedom it has."""

    percent: float
    degrees: int
    trials: int
    boots: int


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
        spreads = [(load, spread_of(load)) for load in self.chosen(evidence)]
        missing = self.not_judged(evidence)
        missing += [_why_not(load, spread) for load, spread in spreads if not _is_shown(spread)]
        found = [
            self._of(load, spread, evidence.confidence)
            for load, spread in spreads
            if spread is not None and _is_shown(spread)
        ]
        result = self.decided_by(found, missing, self.at_most_percent, "%")
        return self.telling_left_out(result, evidence)

    def _of(self, load: LoadEvidence, spread: Spread, confidence: float) -> Finding:
        low, high = spread_interval(spread.percent, spread.degrees, confidence)
        decision = self._decide(load, spread, confidence)
        within = f" within {spread.boots} boots" if spread.boots > 1 else ""
        limit = self.at_most_percent
        shown = [percent_beside(value, limit) for value in (spread.percent, low, high)]
        return Finding(
            subject=load.name,
            verdict=decision.verdict,
            measured=spread.percent,
            low=low,
            high=high,
            why=f"{spread.trials} trials of {load.name}: spread (CV) {shown[0]}"
            f"{within}, which allows for a true spread of {shown[1]} to {shown[2]}; "
            f"{stated(self.at_most_percent, '%')} is accepted: {decision.why}",
            distance=self.at_most_percent - spread.percent,
            uncertainty=f"{100 * confidence:g} % interval (chi-square, normal trials assumed)",
        )

    def _decide(self, load: LoadEvidence, spread: Spread, confidence: float) -> LimitDecision:
        """Rejection takes away the very spread that is judged: only what holds with them counts."""
        without = self._against_limit(spread, confidence)
        if not load.result.rejected:
            return without
        with_all = self._against_limit(spread_of(load, _WITH_REJECTED), confidence)
        return decide_with_and_without(without, with_all)

    def _against_limit(self, spread: Spread | None, confidence: float) -> LimitDecision:
        low, high = (
            (None, None)
            if spread is None
            else spread_interval(spread.percent, spread.degrees, confidence)
        )
        return decide_against_limit(low, high, self.at_most_percent, Sense.AT_MOST)


def spread_of(load: LoadEvidence, states: Collection[str] = KEPT_STATES) -> Spread | None:
    """Spread of the trials of these states about the mean of their own boot; None under two in any.

    The variances of the boots are pooled by their degrees of freedom, sum (n_i - 1) s_i^2 /
    sum (n_i - 1): NIST/SEMATECH e-Handbook 7.4.3.3. What a restart changes is no lack of
    repeatability within it.
    """
    by_boot: dict[int, list[float]] = defaultdict(list)
    for point in load.result.points:
        if point.state in states:
            by_boot[point.boot].append(point.value)
    values = [value for boot in by_boot.values() for value in boot]
    degrees = len(values) - len(by_boot)
    if degrees < 1:
        return None
    variance = math.fsum(sum_of_squares(boot) for boot in by_boot.values()) / degrees
    shown = cv_percent_of(mean_of(values), math.sqrt(variance))
    return None if shown is None else Spread(shown, degrees, len(values), len(by_boot))


def _is_shown(spread: Spread | None) -> bool:
    return spread is not None and spread.percent > 0


def spread_interval(cv_percent: float, degrees: int, confidence: float) -> tuple[float, float]:
    """Interval of the true coefficient of variation of normal trials.

    With d degrees of freedom, d s^2 / sigma^2 is chi-square with d: NIST/SEMATECH e-Handbook
    1.3.5.8. The mean is taken as known, which is close for spreads of a few percent.
    """
    tail = (1.0 - confidence) / 2.0
    low = cv_percent * math.sqrt(degrees / chi2_quantile(1.0 - tail, degrees))
    high = cv_percent * math.sqrt(degrees / chi2_quantile(tail, degrees))
    return low, high


def _why_not(load: LoadEvidence, spread: Spread | None) -> str:
    if not load.info.available:
        return f"{load.name} is not available here: {load.info.reason}"
    if spread is None:
        why = load.result.reason or "no boot has two valid trials"
        return f"{load.name} has no spread: {why}"
    return (
        f"{plural(spread.trials, 'trial')} of {load.name} gave the very same value: that shows how "
        "coarsely it is measured, not how little it varies"
    )
