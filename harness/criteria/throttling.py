"""Throttling: the processor did not cut its own clock to save itself.

Source: Documentation/ABI/testing/sysfs-devices-system-cpu of the kernel: `thermal_throttle` counts
the slow-downs themselves. The TRM row of /proc/interrupts counts alarms that firmware may have
taken for itself and that no hypervisor hands to its guest; an accelerator counts only its own.
"""

from __future__ import annotations

from typing import ClassVar, Literal

from harness.criteria.counters import Countable, CounterCriterion
from harness.criteria.evidence import Evidence
from harness.results import CriterionResult, EventKind

SLOW_DOWNS = Countable(
    noun="throttle event",
    kind=EventKind.THROTTLED,
    roles=("throttle_count", "heat_alarms"),
    witness_role="throttle_count",
    witness_source="throttle",
    unwitnessed="the processor's slow-downs are not counted here, so their number is unknown",
)


class Throttling(CounterCriterion):
    """At most `at_most` throttle events."""

    title: ClassVar[str] = "No throttling"
    criterion: Literal["throttling"] = "throttling"

    def judge(self, evidence: Evidence) -> CriterionResult:
        """Count throttle events over the whole run."""
        return self.judge_counters(evidence, SLOW_DOWNS)
