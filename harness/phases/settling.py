"""Third phase: wait until a temperature has settled (`start_when`), at most so long."""

from __future__ import annotations

from collections import deque

from harness.clock import NS_PER_SECOND
from harness.happenings import Happening, Instruction, Tick
from harness.phases.state import RunState
from harness.profile.model import StartWhen
from harness.results import EventKind


class Settling:
    """Watches one channel until its readings stay within a band, or time is up."""

    def __init__(self, state: RunState, rule: StartWhen) -> None:
        self._state = state
        self._rule = rule
        self._seen: deque[tuple[int, float]] = deque()
        self._begun_ns: int | None = None
        self.finished = False

    @property
    def busy(self) -> bool:
        """See `Phase`: busy with waiting, not with lanes."""
        return self._begun_ns is not None and not self.finished

    @property
    def only_waiting(self) -> bool:
        """See `Phase`."""
        return True

    def advance(self, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        self._begun_ns = now_ns
        rule = self._rule
        text = (
            f"waiting until {rule.channel} stays within {rule.within_celsius:g} °C "
            f"for {rule.for_seconds:g} s, at most {rule.at_most_seconds:g} s"
        )
        return [self._state.event(EventKind.WAITING, now_ns, text)]

    def wind_up(self, now_ns: int) -> list[Instruction]:
        """See `Phase`: nothing has been measured yet."""
        return []

    def hear(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        if not isinstance(happening, Tick) or self._begun_ns is None:
            return []
        self._take(happening.channels.get(self._rule.channel), now_ns)
        waited = (now_ns - self._begun_ns) / NS_PER_SECOND
        if self._settled(now_ns):
            return self._end(now_ns, EventKind.WAITING, f"settled after {waited:.0f} s")
        if waited >= self._rule.at_most_seconds:
            return self._end(now_ns, EventKind.WARNING, self._complaint(waited))
        return []

    def _take(self, value: float | None, now_ns: int) -> None:
        """Readings without a gap; what came before a gap proves nothing about now."""
        if value is None:
            self._seen.clear()
            return
        self._seen.append((now_ns, value))
        oldest = now_ns - round(self._rule.for_seconds * NS_PER_SECOND)
        while len(self._seen) > 1 and self._seen[1][0] <= oldest:
            self._seen.popleft()

    def _settled(self, now_ns: int) -> bool:
        """True when readings reach back over the whole window and stay within the band."""
        window_ns = round(self._rule.for_seconds * NS_PER_SECOND)
        if not self._seen or now_ns - self._seen[0][0] < window_ns:
            return False
        values = [value for _, value in self._seen]
        return max(values) - min(values) <= self._rule.within_celsius

    def _complaint(self, waited: float) -> str:
        what = "had not settled" if self._seen else "gave no reading"
        return f"{self._rule.channel} {what} after {waited:.0f} s: started all the same"

    def _end(self, now_ns: int, kind: EventKind, text: str) -> list[Instruction]:
        self.finished = True
        return [self._state.event(kind, now_ns, text)]
