"""Disturbance share: few enough trials were disturbed by something that has a name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import COUNT_EXACT, Finding
from harness.outcome import Verdict
from harness.results import CriterionResult, TrialPoint
from harness.units import stated


class DisturbanceShare(LoadCriterion):
    """At most `at_most_percent` of a load's trials have a recorded cause of disturbance."""

    title: ClassVar[str] = "Quiet machine"
    needs: ClassVar[str] = "trials"
    criterion: Literal["disturbance-share"] = "disturbance-share"
    at_most_percent: float = Field(
        default=20.0, ge=0, le=100, description="Largest accepted share of disturbed trials."
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The load that was disturbed most decides."""
        loads = self.chosen(evidence)
        missing = [*self.not_judged(evidence), *self.not_available(loads)]
        missing += [
            f"{load.name} has no trial" for load in loads if load.info.available and not load.trials
        ]
        found = [self._of(load) for load in loads if load.trials]
        result = self.decided_by(found, missing, self.at_most_percent, "%")
        return self.telling_left_out(result, evidence)

    def _of(self, load: LoadEvidence) -> Finding:
        disturbed = [point for point in load.result.points if point.causes]
        share = 100.0 * len(disturbed) / len(load.trials)
        most = _worst_words(disturbed)
        return Finding(
            subject=load.name,
            verdict=Verdict.PASS if share <= self.at_most_percent else Verdict.FAIL,
            measured=share,
            low=share,
            high=share,
            why=f"{len(disturbed)} of {len(load.trials)} trials of {load.name} were disturbed"
            f"{most}; {stated(self.at_most_percent, '%')} are accepted",
            distance=self.at_most_percent - share,
            uncertainty=COUNT_EXACT,
        )


def _worst_words(disturbed: Sequence[TrialPoint]) -> str:
    """The kind of cause that came most often, with one trial's numbers as an example."""
    kinds = Counter(_kind(cause) for point in disturbed for cause in point.causes)
    if not kinds:
        return ""
    kind, count = kinds.most_common(1)[0]
    example = next(cause for point in disturbed for cause in point.causes if _kind(cause) == kind)
    return f", most often by {kind} ({count} times; once {example})"


def _kind(cause: str) -> str:
    """A cause without its numbers: the words before the first digit."""
    head = cause
    for position, character in enumerate(cause):
        if character.isdigit():
            head = cause[:position]
            break
    return head.strip() or cause
