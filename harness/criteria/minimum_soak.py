"""Minimum soak: each load was sustained for at least so long, and kept verifying."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.exposure import Sustained, may_lack_turns, sustained
from harness.criteria.judging import TIME_EXACT, Finding
from harness.outcome import Ending, Verdict
from harness.results import CriterionResult
from harness.units import duration

#: Judged to the second, and a short soak to a tenth of what is asked for: the lanes of a stretch
#: start and stop within milliseconds, but nothing is never enough.
_MOST_SLACK_SECONDS = 0.5
_SLACK_SHARE = 0.1


class MinimumSoak(LoadCriterion):
    """Every soak went on for at least `minimum_minutes`, on the core that had the least of it.

    Where cores take turns, each has only its own turns: the soak is shared out among them.
    """

    title: ClassVar[str] = "Minimum soak"
    needs: ClassVar[str] = "soak"
    criterion: Literal["minimum-soak"] = "minimum-soak"
    minimum_minutes: float = Field(
        gt=0,
        le=43_200,
        description="Shortest acceptable soak of each load, in minutes on each core that it is "
        "for: a soak of four minutes in which sixteen cores take turns has a quarter each.",
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The shortest soak decides; one that was broken off did not fail, it is unknown."""
        loads = self.chosen(evidence)
        missing = self.not_judged(evidence)
        ending = evidence.data.ending
        early = ending is not Ending.COMPLETED
        missing += [_why_not(load, ending) for load in loads if not load.soaks]
        missing += [
            f"the run ended during {load.name}: some cores may not have had their turn"
            for load in loads
            if early and may_lack_turns(load, evidence)
        ]
        found = [
            self._of(load.name, sustained(load, evidence), early) for load in loads if load.soaks
        ]
        result = self.decided_by(found, missing, self.minimum_minutes, "min")
        return self.telling_left_out(result, evidence)

    def _of(self, name: str, done: Sustained, ended_early: bool) -> Finding:
        enough = self._is_enough(done.seconds)
        comparison = "at least" if enough else "less than"
        minutes = done.seconds / 60
        doubt = "" if enough else self._why_unknown(done, ended_early)
        short = Verdict.INCONCLUSIVE if doubt else Verdict.FAIL
        return Finding(
            subject=name,
            verdict=Verdict.PASS if enough else short,
            measured=minutes,
            low=minutes,
            high=minutes,
            why=f"{name} was sustained for {duration(done.seconds)} on {_where(done)}, "
            f"{comparison} the {duration(self.minimum_minutes * 60)} asked for{doubt}",
            distance=minutes,
            uncertainty=TIME_EXACT,
        )

    def _is_enough(self, seconds: float) -> bool:
        asked = self.minimum_minutes * 60
        return seconds >= asked - min(_MOST_SLACK_SECONDS, _SLACK_SHARE * asked)

    def _why_unknown(self, done: Sustained, ended_early: bool) -> str:
        """Why a soak that was short shows no fault of the machine; empty where it does."""
        if ended_early:
            return ", because the run ended early"
        if not done.is_shared:
            return ""
        if done.cores == 1:
            return ": it took turns with the loads beside it, give it longer"
        enough = self._is_enough(done.on_any_seconds)
        return ": the cores shared its time, give it longer" if enough else ""


def _where(done: Sustained) -> str:
    if done.on_every_lane:
        return "every lane"
    return done.core if done.cores == 1 else f"{done.core}, the core with the least of {done.cores}"


def _why_not(load: LoadEvidence, ending: Ending) -> str:
    if not load.info.available:
        return f"{load.name} is not available here: {load.info.reason}"
    if ending is Ending.AWAITING_BOOT:
        return f"{load.name} has yet to run: soaks belong to the last boot"
    if ending is not Ending.COMPLETED:
        return f"the run ended before {load.name} had run"
    return f"{load.name} did not run"
