"""Test plan: a named fixed-duration demonstration with both parties' risks stated."""

from __future__ import annotations

from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator

from harness.criteria.base import CriterionSpec
from harness.criteria.evidence import Evidence
from harness.criteria.exposure import exposure_of
from harness.criteria.judging import COUNT_EXACT, plural
from harness.criteria.strict import broken_rule
from harness.errors import nearest
from harness.outcome import Verdict
from harness.results import CriterionResult
from harness.statistics.demonstration import PLANS, PlanVerdict
from harness.units import duration

_SECONDS_PER_HOUR = 3600.0
_VERDICTS = {
    PlanVerdict.ACCEPT: Verdict.PASS,
    PlanVerdict.REJECT: Verdict.FAIL,
    PlanVerdict.CONTINUE: Verdict.INCONCLUSIVE,
}


class DemonstrationTest(CriterionSpec):
    """A fixed-duration plan of MIL-HDBK-781A for one load's mean time between failures."""

    title: ClassVar[str] = "Reliability demonstration"
    criterion: Literal["test-plan"] = "test-plan"
    load: str = Field(description="Name of the load it is about.")
    plan: str = Field(description="Name of the plan in MIL-HDBK-781A, e.g. XV-D.")
    refused_mean_hours: float = Field(
        gt=0,
        le=1e6,
        description="Mean time between failures (theta1) that must be refused, in hours.",
    )

    @model_validator(mode="after")
    def _plan_is_known(self) -> Self:
        if self.plan not in PLANS:
            message = f"received '{self.plan}', no plan; {nearest(self.plan, list(PLANS))}"
            raise broken_rule(message, "plan")
        return self

    def load_names(self) -> tuple[str, ...]:
        """See :class:`CriterionSpec`."""
        return (self.load,)

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Reject as soon as the failures say so, accept when the time is served."""
        plan = PLANS[self.plan]
        done = next((exposure_of(item, evidence) for item in evidence.chosen((self.load,))), None)
        if done is None or not (done.machine_hours or done.failures):
            reason = f"{self.load} did not run"
            return self.not_measured(reason, limit=plan.accept_failures, unit="failures")
        verdict = plan.judge(done.failures, done.machine_hours, self.refused_mean_hours)
        hours = plan.hours(self.refused_mean_hours)
        return self.result(
            _VERDICTS[verdict],
            f"{plural(done.failures, 'failure')} in "
            f"{duration(done.machine_hours * _SECONDS_PER_HOUR)} of {self.load}; plan {plan.name} "
            f"asks for {duration(hours * _SECONDS_PER_HOUR)} with at most {plan.accept_failures} "
            f"(risks: {100 * plan.producer_risk:.1f} % to refuse a good machine, "
            f"{100 * plan.consumer_risk:.1f} % to accept a bad one)",
            measured=done.failures,
            limit=plan.accept_failures,
            unit="failures",
            uncertainty=COUNT_EXACT,
        )
