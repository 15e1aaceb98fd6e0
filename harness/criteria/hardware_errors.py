"""Hardware errors: the machine reported no corrected or uncorrected error of its own."""

from __future__ import annotations

from typing import ClassVar, Literal

from harness.criteria.counters import CounterCriterion
from harness.criteria.evidence import Evidence
from harness.results import CriterionResult, EventKind

ROLES = ("hardware_errors",)


class HardwareErrors(CounterCriterion):
    """At most `at_most` errors by the machine-check and memory-controller counters."""

    title: ClassVar[str] = "No hardware errors"
    criterion: Literal["hardware-errors"] = "hardware-errors"

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Count reported errors over the whole run."""
        return self.judge_counters(evidence, ROLES, EventKind.HARDWARE_ERROR, "hardware error")
