"""Throughput floor: a load's throughput reaches a stated value, or a share of a baseline's."""

from __future__ import annotations

from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator

from harness.compared import WorkloadComparison
from harness.criteria.base import CriterionSpec
from harness.criteria.evidence import Evidence, LoadEvidence, RatioGuard
from harness.criteria.judging import Finding, percent_beside
from harness.criteria.strict import broken_rule
from harness.outcome import Verdict
from harness.results import CriterionResult, WorkloadResult
from harness.statistics.decision import (
    LimitDecision,
    Sense,
    decide_against_limit,
    decide_with_and_without,
)
from harness.units import factor_of, interval, stated


class ThroughputFloor(CriterionSpec):
    """At least `at_least` (at most `at_most` for a latency), or a share of the baseline."""

    title: ClassVar[str] = "Throughput floor"
    needs: ClassVar[str] = "trials"
    criterion: Literal["throughput-floor"] = "throughput-floor"
    load: str = Field(description="Name of the load it is about.")
    at_least: float | None = Field(
        default=None, gt=0, description="Smallest accepted throughput, in the load's unit."
    )
    at_most: float | None = Field(
        default=None, gt=0, description="Largest accepted value of a load that measures latency."
    )
    unit: str = Field(
        default="",
        description="Unit of at_least or at_most: work per second as the reports write it, e.g. "
        "GFLOP/s or Mblock/s, or seconds per piece of work for a latency, e.g. ns/walk.",
    )
    at_least_percent_of_baseline: float | None = Field(
        default=None, gt=0, le=1000, description="Smallest accepted share of the baseline's speed."
    )

    @model_validator(mode="after")
    def _one_floor(self) -> Self:
        keys = ("at_least", "at_most", "at_least_percent_of_baseline")
        given = [key for key in keys if getattr(self, key) is not None]
        if len(given) != 1:
            raise broken_rule(f"needs exactly one of {', '.join(keys)}", *given[1:2])
        if given[0] != "at_least_percent_of_baseline" and not self.unit:
            raise broken_rule(f"{given[0]} needs its unit beside it, e.g. unit: flop/s", given[0])
        return self

    def load_names(self) -> tuple[str, ...]:
        """See :class:`CriterionSpec`."""
        return (self.load,)

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Decide with the interval of the mean, or of the ratio to the baseline."""
        if self.at_least_percent_of_baseline is not None:
            return self._against_baseline(evidence, self.at_least_percent_of_baseline)
        loads = evidence.chosen((self.load,))
        limit = self.at_least if self.at_most is None else self.at_most
        reason = self._why_not(loads)
        if reason or limit is None:
            return self.not_measured(reason, limit=limit, unit=self.unit)
        result = loads[0].result
        own = limit * (factor_of(self.unit, result.unit) or 1.0)
        return self.from_finding(self._of(result, own), own, result.unit)

    def _why_not(self, loads: tuple[LoadEvidence, ...]) -> str:
        if not loads:
            return f"{self.load} did not run"
        load, result = loads[0], loads[0].result
        if not load.info.available:
            return f"{self.load} is not available here: {load.info.reason}"
        if factor_of(self.unit, result.unit) is None:
            return f"the limit is in {self.unit}, {self.load} gives {result.unit}"
        if (self.at_most is not None) is not result.lower_is_better:
            better = "at_most" if result.lower_is_better else "at_least"
            return f"{self.load} needs {better}: its values are better when " + (
                "lower" if result.lower_is_better else "higher"
            )
        return "" if result.mean is not None else result.reason or "no valid trial"

    def _of(self, result: WorkloadResult, limit: float) -> Finding:
        sense = Sense.AT_LEAST if self.at_most is None else Sense.AT_MOST
        decision = _decide(result, limit, sense)
        shown = _shown(result)
        return Finding(
            subject=self.load,
            verdict=decision.verdict,
            measured=result.mean,
            low=result.low,
            high=result.high,
            why=f"{self.load} gave {shown}, {sense.value} {stated(limit, result.unit)} is asked "
            f"for: {decision.why}",
            uncertainty=_uncertainty(result),
        )

    def _against_baseline(self, evidence: Evidence, share: float) -> CriterionResult:
        found = _compared(evidence, self.load)
        if found is None or found.ratio is None:
            why = evidence.comparison_reason if found is None else found.why
            return self.not_measured(why or "no ratio", limit=share, unit="%")
        guard = evidence.ratio_guards.get(self.load, RatioGuard())
        low, high = _percent(found.decision_low), _percent(found.decision_high)
        decision = _decide_share(low, high, guard, share)
        speed = percent_beside(100 * found.ratio, share, digits=4)
        return self.result(
            decision.verdict,
            f"{self.load} runs at {speed} of the baseline's speed, "
            f"{stated(share, '%')} are asked for: {decision.why}",
            measured=100 * found.ratio,
            low=low,
            high=high,
            limit=share,
            unit="%",
            uncertainty="interval of the ratio to the baseline, adjusted for all loads and looks",
        )


def _percent(ratio: float | None) -> float | None:
    return None if ratio is None else 100 * ratio


def _compared(evidence: Evidence, load: str) -> WorkloadComparison | None:
    compared = () if evidence.comparison is None else evidence.comparison.workloads
    return next((item for item in compared if item.name == load), None)


def _decide_share(
    low: float | None, high: float | None, guard: RatioGuard, share: float
) -> LimitDecision:
    """As for "not slower": neither a ratio in doubt decides, nor one that hangs on rejection."""
    if guard.doubt:
        return LimitDecision(Verdict.INCONCLUSIVE, guard.doubt)
    without = decide_against_limit(low, high, share, Sense.AT_LEAST)
    if not guard.rejected:
        return without
    with_all = decide_against_limit(
        _percent(guard.low_all), _percent(guard.high_all), share, Sense.AT_LEAST
    )
    return decide_with_and_without(without, with_all)


def _decide(result: WorkloadResult, limit: float, sense: Sense) -> LimitDecision:
    without = decide_against_limit(result.low, result.high, limit, sense)
    if not result.rejected:
        return without
    with_all = decide_against_limit(result.low_all, result.high_all, limit, sense)
    return decide_with_and_without(without, with_all)


def _shown(result: WorkloadResult) -> str:
    if result.mean is None or result.low is None or result.high is None:
        return "no interval" if result.mean is None else stated(result.mean, result.unit)
    return interval(result.mean, result.low, result.high, result.unit)


def _uncertainty(result: WorkloadResult) -> str:
    if result.low is None or result.confidence is None:
        return result.reason or "no interval"
    return f"{100 * result.confidence:g} % interval ({result.method})"
