"""Throttling: the processor did not cut its own clock to save itself."""

from __future__ import annotations

from typing import ClassVar, Literal

from harness.criteria.counters import CounterCriterion
from harness.criteria.evidence import Evidence
from harness.results import CriterionResult, EventKind

ROLES = ("throttle_count",)


class Throttling(CounterCriterion):
    """At most `at_most` throttle events."""

    title: ClassVar[str] = "No throttling"
    criterion: Literal["throttling"] = "throttling"

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Count throttle events over the whole run."""
        return self.judge_counters(evidence, ROLES, EventKind.THROTTLED, "throttle event")
