"""Minimum soak: each load was sustained for at least so long, and kept verifying."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.exposure import sustained_seconds
from harness.criteria.judging import TIME_EXACT, Finding
from harness.outcome import Ending, Verdict
from harness.results import CriterionResult
from harness.units import duration

#: Judged to the second, and a short soak to a tenth of what is asked for: the lanes of a stretch
#: start and stop within milliseconds, but nothing is never enough.
_MOST_SLACK_SECONDS = 0.5
_SLACK_SHARE = 0.1


class MinimumSoak(LoadCriterion):
    """Every soak went on for at least `minimum_minutes`, on the lane that worked the shortest."""

    title: ClassVar[str] = "Minimum soak"
    needs: ClassVar[str] = "soak"
    criterion: Literal["minimum-soak"] = "minimum-soak"
    minimum_minutes: float = Field(
        gt=0, le=43_200, description="Shortest acceptable soak of each load, in minutes."
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The shortest soak decides; one that was broken off did not fail, it is unknown."""
        loads = self.chosen(evidence)
        missing = self.not_judged(evidence)
        ending = evidence.data.ending
        early = ending is not Ending.COMPLETED
        missing += [_why_not(load, ending) for load in loads if not load.soaks]
        found = [
            self._of(load.name, sustained_seconds(load, evidence), early)
            for load in loads
            if load.soaks
        ]
        return self.decided_by(found, missing, self.minimum_minutes, "min")

    def _of(self, name: str, seconds: float, ended_early: bool) -> Finding:
        asked = self.minimum_minutes * 60
        enough = seconds >= asked - min(_MOST_SLACK_SECONDS, _SLACK_SHARE * asked)
        short = Verdict.INCONCLUSIVE if ended_early else Verdict.FAIL
        comparison = "at least" if enough else "less than"
        minutes = seconds / 60
        return Finding(
            subject=name,
            verdict=Verdict.PASS if enough else short,
            measured=minutes,
            low=minutes,
            high=minutes,
            why=f"{name} was sustained for {duration(seconds)} on every lane, {comparison} the "
            f"{duration(asked)} asked for"
            + ("" if enough or not ended_early else ", because the run ended early"),
            distance=minutes,
            uncertainty=TIME_EXACT,
        )


def _why_not(load: LoadEvidence, ending: Ending) -> str:
    if not load.info.available:
        return f"{load.name} is not available here: {load.info.reason}"
    if ending is Ending.AWAITING_BOOT:
        return f"{load.name} has yet to run: soaks belong to the last boot"
    if ending is not Ending.COMPLETED:
        return f"the run ended before {load.name} had run"
    return f"{load.name} did not run"
