"""No failures: every computed result passed its check, and every lane survived its load."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Literal

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import COUNT_EXACT, listed, plural
from harness.outcome import Ending, Verdict
from harness.results import CriterionResult, Failure
from harness.units import count, elapsed


class NoFailures(LoadCriterion):
    """Every result passed its check; no lane died, hung or broke off."""

    title: ClassVar[str] = "No failures under load"
    criterion: Literal["no-failures"] = "no-failures"

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Count failures; a load that did not verify anything forbids a pass."""
        return self.telling_left_out(self._judged(evidence), evidence)

    def _judged(self, evidence: Evidence) -> CriterionResult:
        failures = evidence.failures(self.loads)
        if failures:
            return self.result(
                Verdict.FAIL,
                _describe(failures),
                measured=len(failures),
                limit=0,
                unit="failures",
                uncertainty=COUNT_EXACT,
            )
        loads = self.chosen(evidence)
        missing = [*self.not_judged(evidence), *self.not_available(loads)]
        if missing:
            return self.not_measured(_why_lacking(missing, loads), limit=0, unit="failures")
        return self._without_failures(loads, evidence.data.ending)

    def _without_failures(self, loads: Sequence[LoadEvidence], ending: Ending) -> CriterionResult:
        verified = sum(load.verified for load in loads)
        unverified = [load.name for load in loads if not load.verified]
        if not verified:
            return self.not_measured(_why_nothing(unverified, ending), limit=0, unit="failures")
        if ending is not Ending.COMPLETED:
            return self._none_so_far(verified, unverified, ending)
        if unverified:
            why = f"no pass of {listed(unverified)} was verified"
            return self.not_measured(why, limit=0, unit="failures")
        return self.result(
            Verdict.PASS,
            f"{count(verified)} passes were verified, none was wrong, no lane died",
            measured=0,
            limit=0,
            unit="failures",
            uncertainty=COUNT_EXACT,
        )

    def _none_so_far(
        self, verified: int, unverified: Sequence[str], ending: Ending
    ) -> CriterionResult:
        """A run that is not whole says nothing of what it did not reach."""
        lacking = f"; nothing of {listed(unverified)} was verified" if unverified else ""
        until = "until the next boot" if ending is Ending.AWAITING_BOOT else "before it ended early"
        return self.result(
            Verdict.INCONCLUSIVE,
            f"no failure seen in the part that ran: {count(verified)} verified "
            f"{'pass' if verified == 1 else 'passes'} {until}{lacking}",
            measured=0,
            limit=0,
            unit="failures",
            uncertainty=COUNT_EXACT,
        )


def _why_lacking(missing: Sequence[str], loads: Sequence[LoadEvidence]) -> str:
    """What was not verified, every load of it, and how much was."""
    verified = sum(load.verified for load in loads)
    rest = f" (no failure in {count(verified)} verified passes of the others)" if verified else ""
    return f"{listed(missing, most=2)}{rest}"


def _why_nothing(unverified: Sequence[str], ending: Ending) -> str:
    if ending is Ending.AWAITING_BOOT:
        return "nothing was verified in this boot, and more boots are planned"
    if ending is not Ending.COMPLETED:
        return "the run ended before any result was verified"
    return f"no pass of {listed(unverified)} was verified" if unverified else "nothing ran"


def _describe(failures: Sequence[Failure]) -> str:
    first = failures[0]
    place = "" if first.core is None else f" on CPU {first.core}"
    where = "" if first.workload is None else f" in {first.workload}"
    return (
        f"{plural(len(failures), 'failure')}; the first: {first.kind}{where}{place} "
        f"at {elapsed(first.at_seconds)}"
    )
