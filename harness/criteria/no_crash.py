"""No crash: the machine and the harness lived through the run."""

from __future__ import annotations

from typing import ClassVar, Literal

from harness.criteria.attribution import CRASHES
from harness.criteria.base import CriterionSpec
from harness.criteria.evidence import Evidence
from harness.criteria.judging import COUNT_EXACT, plural
from harness.outcome import Ending, Verdict
from harness.results import CriterionResult
from harness.units import duration


class NoCrash(CriterionSpec):
    """The machine did not restart and no process of the harness died unexplained under load."""

    title: ClassVar[str] = "No crash"
    criterion: Literal["no-crash"] = "no-crash"

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Count restarts and unexplained deaths; a run without its end event is one."""
        crashes = [item for item in evidence.data.failures if item.kind in CRASHES]
        ended_by_crash = evidence.data.ending is Ending.CRASHED
        number = max(len(crashes), int(ended_by_crash))
        if not number:
            return self._survived(evidence)
        told = crashes[0].detail if crashes else evidence.data.ending_text
        return self.result(
            Verdict.FAIL,
            f"{plural(number, 'crash')}: {told or 'the run ended without its end event'}",
            measured=number,
            limit=0,
            unit="crashes",
            uncertainty=COUNT_EXACT,
        )

    def _survived(self, evidence: Evidence) -> CriterionResult:
        if not any(load.trials or load.soaks for load in evidence.loads):
            return self.not_measured("no load ran", limit=0, unit="crashes")
        seconds = evidence.data.duration_seconds
        span = "" if seconds is None else f" for {duration(seconds)}"
        return self.result(
            Verdict.PASS,
            f"the machine and the harness kept running{span}",
            measured=0,
            limit=0,
            unit="crashes",
            uncertainty=COUNT_EXACT,
        )
