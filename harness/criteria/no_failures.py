"""No failures: every computed result passed its check, and every lane survived its load."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Literal

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import COUNT_EXACT, listed, plural
from harness.outcome import Verdict
from harness.results import CriterionResult, Failure
from harness.units import count, elapsed


class NoFailures(LoadCriterion):
    """Every result passed its check; no lane died, hung or broke off."""

    title: ClassVar[str] = "No failures under load"
    criterion: Literal["no-failures"] = "no-failures"

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Count failures; without a verified pass there is nothing to say."""
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
        missing = self.not_judged(evidence)
        if missing:
            return self.not_measured(missing[0], limit=0, unit="failures")
        return self._without_failures(self.chosen(evidence))

    def _without_failures(self, loads: Sequence[LoadEvidence]) -> CriterionResult:
        unverified = [load.name for load in loads if load.info.available and not load.verified]
        verified = sum(load.verified for load in loads)
        if not verified or unverified:
            why = f"no pass of {listed(unverified)} was verified" if unverified else "nothing ran"
            return self.not_measured(why, limit=0, unit="failures")
        return self.result(
            Verdict.PASS,
            f"{count(verified)} passes were verified, none was wrong, no lane died",
            measured=0,
            limit=0,
            unit="failures",
            uncertainty=COUNT_EXACT,
        )


def _describe(failures: Sequence[Failure]) -> str:
    first = failures[0]
    place = "" if first.core is None else f" on core {first.core}"
    where = "" if first.workload is None else f" in {first.workload}"
    return (
        f"{plural(len(failures), 'failure')}; the first: {first.kind}{where}{place} "
        f"at {elapsed(first.at_seconds)}"
    )
