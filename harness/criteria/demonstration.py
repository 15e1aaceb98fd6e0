"""Test plan: a fixed-duration demonstration with both parties' risks stated.

A plan is named after MIL-HDBK-781A, or made from the risks that both parties accept.
"""

from __future__ import annotations

from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator

from harness.criteria.attribution import failures_of
from harness.criteria.base import ENDED_BEFORE_LOADS, CriterionSpec
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.exposure import exposure_of, hours_before
from harness.criteria.judging import COUNT_EXACT, plural
from harness.criteria.strict import broken_rule
from harness.errors import nearest
from harness.outcome import Verdict
from harness.results import CriterionResult
from harness.statistics.demonstration import (
    OWN_PLAN,
    PLANS,
    DemonstrationPlan,
    PlanVerdict,
    fixed_duration_plan,
)
from harness.units import duration

_SECONDS_PER_HOUR = 3600.0
_OWN_KEYS = ("discrimination_ratio", "producer_risk_percent", "consumer_risk_percent")
_VERDICTS = {
    PlanVerdict.ACCEPT: Verdict.PASS,
    PlanVerdict.REJECT: Verdict.FAIL,
    PlanVerdict.CONTINUE: Verdict.INCONCLUSIVE,
}


class DemonstrationTest(CriterionSpec):
    """A fixed-duration plan for one load's mean time between failures.

    Its time is that of the core with the least, its failures those of the whole machine.
    """

    title: ClassVar[str] = "Reliability demonstration"
    criterion: Literal["test-plan"] = "test-plan"
    load: str = Field(description="Name of the load it is about.")
    plan: str = Field(
        description="Name of the plan in MIL-HDBK-781A, e.g. XV-D; or own, with the three keys "
        "below.",
    )
    refused_mean_hours: float = Field(
        gt=0,
        le=1e6,
        description="Mean time between failures (theta1) that must be refused, in hours.",
    )
    discrimination_ratio: float | None = Field(
        default=None,
        ge=1.2,
        le=1000,
        description="Own plan: how many times refused_mean_hours a good machine has.",
    )
    producer_risk_percent: float | None = Field(
        default=None, ge=1, le=50, description="Own plan: chance of refusing a good machine."
    )
    consumer_risk_percent: float | None = Field(
        default=None, ge=1, le=50, description="Own plan: chance of accepting a bad machine."
    )

    @model_validator(mode="after")
    def _plan_is_known(self) -> Self:
        given = {name: getattr(self, name) for name in _OWN_KEYS}
        lacking = [name for name, value in given.items() if value is None]
        if self.plan == OWN_PLAN and lacking:
            raise broken_rule(f"an own plan needs {', '.join(lacking)}", lacking[0])
        if self.plan != OWN_PLAN and len(lacking) < len(given):
            extra = next(name for name in given if name not in lacking)
            raise broken_rule(f"the risks of a plan are its own: remove {extra}", extra)
        if self.plan != OWN_PLAN and self.plan not in PLANS:
            nearest_plan = nearest(self.plan, [*PLANS, OWN_PLAN])
            raise broken_rule(f"received '{self.plan}', no plan; {nearest_plan}", "plan")
        return self

    def load_names(self) -> tuple[str, ...]:
        """See :class:`CriterionSpec`."""
        return (self.load,)

    @property
    def chosen_plan(self) -> DemonstrationPlan:
        """The plan of that name, or the shortest that keeps the risks given."""
        ratio, producer = self.discrimination_ratio, self.producer_risk_percent
        consumer = self.consumer_risk_percent
        if ratio is None or producer is None or consumer is None:
            return PLANS[self.plan]
        return fixed_duration_plan(ratio, producer / 100.0, consumer / 100.0)

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Reject as soon as the failures say so, accept when the time is served."""
        plan = self.chosen_plan
        load = next(iter(evidence.chosen((self.load,))), None)
        done = None if load is None else exposure_of(load, evidence)
        if load is None or done is None or not (done.passes or done.failures):
            reason = ENDED_BEFORE_LOADS if not evidence.loads else f"{self.load} did not run"
            return self.not_measured(reason, limit=plan.accept_failures, unit="failures")
        counted = self._within(load, evidence, plan)
        verdict = plan.judge(counted, done.machine_hours, self.refused_mean_hours)
        later = done.failures - counted
        after = f"; {plural(later, 'more failure')} after the plan's time" if later else ""
        return self.result(
            _VERDICTS[verdict],
            f"{plural(counted, 'failure')} in {_time(done.machine_hours)} of {self.load} on the "
            f"core with the least; {self._asked(plan)}{after}",
            measured=counted,
            limit=plan.accept_failures,
            unit="failures",
            uncertainty=COUNT_EXACT,
        )

    def _within(self, load: LoadEvidence, evidence: Evidence, plan: DemonstrationPlan) -> int:
        """Failures within the plan's time: its risks hold for no longer test."""
        served = plan.hours(self.refused_mean_hours)
        return sum(
            hours_before(load, evidence, item.at_seconds) <= served
            for item in failures_of(load.info, evidence.data)
        )

    def _asked(self, plan: DemonstrationPlan) -> str:
        good = self.refused_mean_hours * plan.discrimination
        return (
            f"plan {plan.name} asks for {_time(plan.hours(self.refused_mean_hours))} with at most "
            f"{plan.accept_failures} (risks: {100 * plan.producer_risk:.1f} % to refuse a good "
            f"machine, one failure in {_time(good)}; {100 * plan.consumer_risk:.1f} % to accept a "
            f"bad one, one in {_time(self.refused_mean_hours)})"
        )


def _time(hours: float) -> str:
    return duration(hours * _SECONDS_PER_HOUR)
