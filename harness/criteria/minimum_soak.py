"""Minimum soak: each load was sustained for at least so long, and kept verifying."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import TIME_EXACT, Finding
from harness.outcome import Ending, Verdict
from harness.results import CriterionResult
from harness.units import duration


class MinimumSoak(LoadCriterion):
    """Every soak lasted at least `minimum_minutes`."""

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
        missing += [_why_not(load) for load in loads if not load.soaks]
        early = evidence.data.ending is not Ending.COMPLETED
        found = [self._of(load, early) for load in loads if load.soaks]
        return self.decided_by(found, missing, self.minimum_minutes, "min")

    def _of(self, load: LoadEvidence, ended_early: bool) -> Finding:
        # Judged to the second: the lanes of a stretch start and stop within milliseconds.
        enough = round(load.soak_seconds) >= round(self.minimum_minutes * 60)
        short = Verdict.INCONCLUSIVE if ended_early else Verdict.FAIL
        comparison = "at least" if enough else "less than"
        minutes = load.soak_seconds / 60
        return Finding(
            subject=load.name,
            verdict=Verdict.PASS if enough else short,
            measured=minutes,
            low=minutes,
            high=minutes,
            why=f"{load.name} was sustained for {duration(load.soak_seconds)}, {comparison} the "
            f"{duration(self.minimum_minutes * 60)} asked for"
            + ("" if enough or not ended_early else ", because the run ended early"),
            distance=minutes,
            uncertainty=TIME_EXACT,
        )


def _why_not(load: LoadEvidence) -> str:
    if not load.info.available:
        return f"{load.name} is not available here: {load.info.reason}"
    return f"{load.name} did not run"
