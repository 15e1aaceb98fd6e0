"""Last phase: after a long soak, keep watching the hardware's error counters for a while.

Corrected errors are polled by the kernel, every five minutes by default, so an error of the last
minutes of a soak is seen only after the load has ended.
"""

from __future__ import annotations

from harness.clock import NS_PER_SECOND
from harness.happenings import Happening, Instruction, Tick
from harness.phases.state import RunState
from harness.results import EventKind

#: Counters are read each second and handed over up to a second later, by a thread that may wait
#: for its turn: what the kernel found in its last poll must still reach the record. Common
#: practice, no source; the criteria allow a counter's last reading the same time.
HANDOVER_SECONDS = 5.0


class Afterwatch:
    """Waits, with the sampler at work and all lanes idle."""

    def __init__(self, state: RunState, seconds: float) -> None:
        self._state = state
        self._seconds = seconds
        self._end_ns: int | None = None
        self.finished = seconds <= 0

    @property
    def busy(self) -> bool:
        """See `Phase`."""
        return self._end_ns is not None and not self.finished

    @property
    def only_waiting(self) -> bool:
        """See `Phase`."""
        return True

    def advance(self, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        seconds = self._seconds + HANDOVER_SECONDS
        self._end_ns = now_ns + round(seconds * NS_PER_SECOND)
        text = (
            f"the load is off; error counters are watched for {seconds:g} s more: the kernel's "
            f"polling period and {HANDOVER_SECONDS:g} s until its last count has been read"
        )
        return [self._state.event(EventKind.WAITING, now_ns, text)]

    def wind_up(self, now_ns: int) -> list[Instruction]:
        """See `Phase`: there is nothing to keep."""
        return []

    def hear(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        if isinstance(happening, Tick) and self._end_ns is not None and now_ns >= self._end_ns:
            self.finished = True
        return []
