"""The one place that reads clocks.

Wall time labels, the monotonic clock measures, the boot clock (which counts through suspend)
explains gaps. Tests swap in :class:`ManualClock`, which moves only when it is told to.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

NS_PER_SECOND = 1_000_000_000

# Bound names for hot loops: one global lookup, no wrapper call inside a timed pass.
perf_ns = time.perf_counter_ns
thread_cpu_ns = time.thread_time_ns


class Clock(Protocol):
    """What the harness may ask of time."""

    def monotonic_ns(self) -> int:
        """Nanoseconds on a clock shared by all processes of this boot; stops during suspend."""
        ...

    def boot_ns(self) -> int:
        """Nanoseconds since boot, suspend included; equals the monotonic clock where unknown."""
        ...

    def wall_ns(self) -> int:
        """UTC nanoseconds since 1970; may jump, so it labels and never measures."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass (0 or less returns at once)."""
        ...


class SystemClock:
    """The machine's clocks."""

    def monotonic_ns(self) -> int:
        """See :class:`Clock`."""
        return time.monotonic_ns()

    def boot_ns(self) -> int:
        """See :class:`Clock`; CLOCK_BOOTTIME exists on Linux only."""
        clock_id = getattr(time, "CLOCK_BOOTTIME", None)
        return time.monotonic_ns() if clock_id is None else time.clock_gettime_ns(clock_id)

    def wall_ns(self) -> int:
        """See :class:`Clock`."""
        return time.time_ns()

    def sleep(self, seconds: float) -> None:
        """See :class:`Clock`."""
        if seconds > 0:
            time.sleep(seconds)


@dataclass
class ManualClock:
    """A clock for tests: it moves only by `sleep`, `advance`, `suspend` or `set_wall`."""

    monotonic: int = 1_000 * NS_PER_SECOND
    suspended: int = 0
    wall: int = 1_790_000_000 * NS_PER_SECOND

    def monotonic_ns(self) -> int:
        """See :class:`Clock`."""
        return self.monotonic

    def boot_ns(self) -> int:
        """See :class:`Clock`."""
        return self.monotonic + self.suspended

    def wall_ns(self) -> int:
        """See :class:`Clock`."""
        return self.wall

    def sleep(self, seconds: float) -> None:
        """Move all clocks on by `seconds`."""
        self.advance(max(seconds, 0.0))

    def advance(self, seconds: float) -> None:
        """Move all clocks on by `seconds`."""
        step = round(seconds * NS_PER_SECOND)
        self.monotonic += step
        self.wall += step

    def suspend(self, seconds: float) -> None:
        """Pass `seconds` the way a suspended machine does: the monotonic clock stands still."""
        step = round(seconds * NS_PER_SECOND)
        self.suspended += step
        self.wall += step

    def set_wall(self, wall_ns: int) -> None:
        """Set the wall clock, as an operator or a time service does."""
        self.wall = wall_ns


SYSTEM: Clock = SystemClock()


def iso_utc(wall_ns: int) -> str:
    """`wall_ns` as ISO 8601 UTC with milliseconds, e.g. ``2026-01-31T08:15:00.000Z``."""
    moment = datetime.fromtimestamp(wall_ns / NS_PER_SECOND, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def run_stamp(wall_ns: int) -> str:
    """`wall_ns` as the sortable beginning of a run id, e.g. ``20260131T081500Z``."""
    return datetime.fromtimestamp(wall_ns // NS_PER_SECOND, UTC).strftime("%Y%m%dT%H%M%SZ")
