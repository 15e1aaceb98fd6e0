"""What the kernel knows about a lane's thread: the causes of a disturbed trial.

The coefficient of variation does not reveal a competitor on the core; the run delay (time spent
runnable but not running) does. Linux gives it in nanoseconds in ``/proc/<pid>/schedstat``
(Documentation/scheduler/sched-stats.rst); elsewhere it is None.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Account:
    """Counts since the process began; None where the system does not say."""

    run_delay_ns: int | None
    involuntary_switches: int | None
    major_faults: int | None

    def since(self, before: Account) -> Account:
        """The increase from `before` to now."""
        return Account(
            _minus(self.run_delay_ns, before.run_delay_ns),
            _minus(self.involuntary_switches, before.involuntary_switches),
            _minus(self.major_faults, before.major_faults),
        )


def _minus(now: int | None, before: int | None) -> int | None:
    return None if now is None or before is None else now - before


def read_account(schedstat: Path = Path("/proc/self/schedstat")) -> Account:
    """The calling process's account now."""
    switches, faults = _usage()
    return Account(_run_delay(schedstat), switches, faults)


def _run_delay(path: Path) -> int | None:
    try:
        return int(path.read_text("ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return None


def _usage() -> tuple[int | None, int | None]:
    try:
        import resource
    except ImportError:
        return None, None
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_nivcsw, usage.ru_majflt
