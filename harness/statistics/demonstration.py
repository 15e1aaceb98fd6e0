"""Named test plans that demonstrate a mean time between failures, with both parties' risks."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.statistics.quantiles import chi2_quantile, poisson_cdf
from harness.statistics.validation import require_confidence, require_positive

#: Name of a plan that is made from its risks.
OWN_PLAN = "own"


class PlanVerdict(StrEnum):
    """Where a demonstration stands."""

    ACCEPT = "accept"
    REJECT = "reject"
    CONTINUE = "continue"


@dataclass(frozen=True)
class DemonstrationPlan:
    """A fixed-duration plan.

    `discrimination` is theta0 / theta1: the mean time between failures a good machine has over
    the one that must be refused. `duration` counts in multiples of theta1. At most
    `accept_failures` failures accept. The nominal risks are those printed for the plan.
    """

    name: str
    nominal_producer_risk: float
    nominal_consumer_risk: float
    discrimination: float
    duration: float
    accept_failures: int

    @property
    def reject_failures(self) -> int:
        """Failures that reject."""
        return self.accept_failures + 1

    @property
    def producer_risk(self) -> float:
        """Chance of refusing a machine whose mean time between failures is theta0."""
        return 1.0 - poisson_cdf(self.accept_failures, self.duration / self.discrimination)

    @property
    def consumer_risk(self) -> float:
        """Chance of accepting a machine whose mean time between failures is theta1."""
        return poisson_cdf(self.accept_failures, self.duration)

    def hours(self, theta1_hours: float) -> float:
        """Length of the test for a refused mean time between failures of `theta1_hours`."""
        require_positive(theta1_hours, "theta1_hours")
        return self.duration * theta1_hours

    def judge(self, failures: int, hours: float, theta1_hours: float) -> PlanVerdict:
        """Reject as soon as the failures say so, accept when the time is served.

        `failures` are those within the plan's time: the risks hold for no other.
        """
        if failures >= self.reject_failures:
            return PlanVerdict.REJECT
        if hours >= self.hours(theta1_hours):
            return PlanVerdict.ACCEPT
        return PlanVerdict.CONTINUE


#: MIL-HDBK-781A (1 April 1996), fixed-duration test plans; the nominal risks agree with the
#: Poisson distribution to the printed 0.1 %. XIX-D to XXI-D are its high-risk plans.
PLANS = {
    plan.name: plan
    for plan in (
        DemonstrationPlan("IX-D", 0.120, 0.099, 1.5, 45.0, 36),
        DemonstrationPlan("X-D", 0.109, 0.214, 1.5, 29.9, 25),
        DemonstrationPlan("XI-D", 0.197, 0.196, 1.5, 21.5, 17),
        DemonstrationPlan("XII-D", 0.096, 0.106, 2.0, 18.8, 13),
        DemonstrationPlan("XIII-D", 0.098, 0.209, 2.0, 12.4, 9),
        DemonstrationPlan("XIV-D", 0.199, 0.210, 2.0, 7.8, 5),
        DemonstrationPlan("XV-D", 0.094, 0.099, 3.0, 9.3, 5),
        DemonstrationPlan("XVI-D", 0.109, 0.213, 3.0, 5.4, 3),
        DemonstrationPlan("XVII-D", 0.175, 0.197, 3.0, 4.3, 2),
        DemonstrationPlan("XIX-D", 0.298, 0.301, 1.5, 8.1, 6),
        DemonstrationPlan("XX-D", 0.283, 0.285, 2.0, 3.7, 2),
        DemonstrationPlan("XXI-D", 0.307, 0.333, 3.0, 1.1, 0),
    )
}


def fixed_duration_plan(
    discrimination: float, producer_risk: float, consumer_risk: float
) -> DemonstrationPlan:
    """Shortest fixed-duration plan whose true risks keep both limits, for plans not in the table.

    For each number of accepted failures the shortest duration that keeps the consumer's risk is
    chi2(1 - b; 2 (r + 1)) / 2; the first that keeps the producer's risk too is the plan. One more
    failure than it accepts is the number that ends Epstein and Sobel's failure-terminated plan of
    the same risks (1953, J. Amer. Statist. Assoc. 48:486-502), the smallest r with
    chi2(1 - b; 2r) / chi2(a; 2r) <= d.
    """
    if discrimination <= 1.0:
        raise ValueError(f"discrimination={discrimination!r}: must exceed 1")
    require_confidence(producer_risk, "producer_risk")
    require_confidence(consumer_risk, "consumer_risk")
    accepted = 0
    while True:
        duration = chi2_quantile(1.0 - consumer_risk, 2.0 * (accepted + 1)) / 2.0
        plan = DemonstrationPlan(
            OWN_PLAN, producer_risk, consumer_risk, discrimination, duration, accepted
        )
        if plan.producer_risk <= producer_risk:
            return plan
        accepted += 1
