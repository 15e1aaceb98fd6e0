"""Hardware errors: the machine reported no corrected or uncorrected error of its own.

Source: Documentation/admin-guide/RAS of the kernel: memory errors are known only where a memory
controller driver counts them. The machine-check rows of /proc/interrupts and the kernel's log tell
of some errors, in a guest of none, so their silence alone proves nothing.
"""

from __future__ import annotations

from typing import ClassVar, Literal

from harness.criteria.counters import Countable, CounterCriterion
from harness.criteria.evidence import Evidence
from harness.results import CriterionResult, EventKind

REPORTED_ERRORS = Countable(
    noun="hardware error",
    kind=EventKind.HARDWARE_ERROR,
    roles=("hardware_errors", "error_alarms"),
    witness_role="hardware_errors",
    witness_source="hardware errors",
    unwitnessed="without a memory controller's counts the number of errors is unknown, not 0",
)


class HardwareErrors(CounterCriterion):
    """At most `at_most` errors by the machine-check and memory-controller counters."""

    title: ClassVar[str] = "No hardware errors"
    criterion: Literal["hardware-errors"] = "hardware-errors"

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Count reported errors over the whole run."""
        return self.judge_counters(evidence, REPORTED_ERRORS)
