"""First phase: every lane reports itself."""

from __future__ import annotations

from harness.happenings import Happening, Instruction, LaneDied, StoodStill, Tick
from harness.lanes.messages import LaneUp
from harness.phases.state import GATHER_SECONDS, RunState, Waiting


class Gathering:
    """Waits for `LaneUp` of all lanes."""

    def __init__(self, state: RunState) -> None:
        self._state = state
        self._waiting = Waiting()
        self._begun = False

    @property
    def busy(self) -> bool:
        """See `Phase`."""
        return bool(self._waiting.lanes)

    @property
    def only_waiting(self) -> bool:
        """See `Phase`."""
        return True

    @property
    def finished(self) -> bool:
        """See `Phase`."""
        return self._begun and not self.busy

    def advance(self, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        self._begun = True
        self._waiting.begin(range(self._state.plan.lanes), now_ns, GATHER_SECONDS)
        return []

    def wind_up(self, now_ns: int) -> list[Instruction]:
        """See `Phase`: nothing has been measured yet."""
        return []

    def hear(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        if isinstance(happening, LaneUp | LaneDied):
            self._waiting.lanes.discard(happening.lane)
        elif isinstance(happening, StoodStill):
            self._waiting.extend(happening.seconds)
        elif isinstance(happening, Tick):
            late = self._waiting.late(now_ns)
            self._waiting.lanes -= late
            return self._state.hung(sorted(late), now_ns, "starting", None)
        return []
