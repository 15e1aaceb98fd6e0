"""Error rate: what verified passes demonstrate about the rate of errors, with confidence."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.exposure import Exposure, exposure_of
from harness.criteria.judging import Finding, plural
from harness.outcome import Verdict
from harness.results import CriterionResult
from harness.statistics.reliability import RateBounds, error_rate, hours_to_demonstrate
from harness.units import duration

_SECONDS_PER_HOUR = 3600.0


class ErrorRate(LoadCriterion):
    """The upper bound of each load's error rate is at most `at_most_per_hour`.

    Without `loads` it is about every soak of the profile, or about all loads where there is none.
    """

    title: ClassVar[str] = "Demonstrated error rate"
    criterion: Literal["error-rate"] = "error-rate"
    at_most_per_hour: float = Field(
        gt=0, le=1e6, description="Largest accepted rate of errors per hour under the load."
    )
    per: Literal["machine", "core"] = Field(
        default="machine",
        description="Per hour of the machine, or of each core on its own: the weakest counts.",
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The load, or the core, that demonstrates least decides."""
        chosen = [(load, exposure_of(load, evidence)) for load in self._meant(evidence)]
        missing = self.not_judged(evidence)
        missing += [_why_not(load) for load, done in chosen if not (done.passes or done.failures)]
        found = [
            self._of(done.load, where, bounds)
            for _, done in chosen
            if done.passes or done.failures
            for where, bounds in self._bounds(done, evidence.confidence)
        ]
        result = self.decided_by(found, missing, self.at_most_per_hour, "1/h")
        return self.telling_left_out(result, evidence)

    def _meant(self, evidence: Evidence) -> tuple[LoadEvidence, ...]:
        """The loads named, else those that were soaked: seconds of trials demonstrate nothing."""
        chosen = self.chosen(evidence)
        soaked = tuple(load for load in chosen if load.info.trials == 0)
        return soaked if soaked and not self.loads else chosen

    def _bounds(self, done: Exposure, confidence: float) -> list[tuple[str, RateBounds]]:
        if self.per == "machine":
            elapsed = done.elapsed_hours
            hours = done.machine_hours
            return [("", error_rate(done.failures, hours, confidence, elapsed_hours=elapsed))]
        return [
            (f" on {name}", error_rate(core.failures, core.hours, confidence))
            for name, core in done.cores.items()
        ]

    def _of(self, load: str, where: str, bounds: RateBounds) -> Finding:
        upper, lower = bounds.upper, bounds.lower
        shown = upper if upper is not None else float("inf")
        return Finding(
            subject=load,
            verdict=self._verdict(bounds),
            measured=upper,
            low=lower,
            high=upper,
            why=self._sentence(f"{load}{where}", bounds),
            distance=self.at_most_per_hour - shown,
            uncertainty=f"{100 * bounds.confidence:g} % upper bound (exponential, chi-square)",
        )

    def _verdict(self, bounds: RateBounds) -> Verdict:
        if bounds.upper is None or bounds.lower is None:
            return Verdict.INCONCLUSIVE
        if bounds.upper <= self.at_most_per_hour:
            return Verdict.PASS
        return Verdict.FAIL if bounds.lower > self.at_most_per_hour else Verdict.INCONCLUSIVE

    def _sentence(self, subject: str, bounds: RateBounds) -> str:
        seen = plural(bounds.failures, "error") if bounds.failures else "no error"
        if bounds.upper is None:
            return f"{seen} in {subject}, but {bounds.reason} on some core: no rate is shown"
        needed = hours_to_demonstrate(self.at_most_per_hour, bounds.confidence, bounds.failures)
        more = ""
        if self._verdict(bounds) is Verdict.INCONCLUSIVE:
            more = f"; {duration(needed * _SECONDS_PER_HOUR)} without another would demonstrate it"
        return (
            f"{seen} in {duration(bounds.hours * _SECONDS_PER_HOUR)} of {subject} demonstrates at "
            f"most {bounds.upper:.3g} an hour, {self.at_most_per_hour:g} accepted{more}"
        )


def _why_not(load: LoadEvidence) -> str:
    if not load.info.available:
        return f"{load.name} is not available here: {load.info.reason}"
    return f"no pass of {load.name} was verified"
