"""Whom the runner blames for a silence in which it stood still itself, and how long it says that
a stop took. Oracle: a clock by hand."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness.board import Board, LaneSlot, Slot, StopReason
from harness.clock import NS_PER_SECOND, ManualClock
from harness.happenings import Happening, KillLane, LimitExceeded, LoadStopped, StoodStill, Tick
from harness.lanes.team import Death
from harness.observing import Nobody
from harness.results import SafetyStop
from harness.runner import Equipment, Runner, Showing
from harness.sensors.messages import GuardTripped
from harness.watchers import Readings

STILL_SECONDS = 12.0
PLAN: Any = SimpleNamespace(lanes=1, cpus=(0,), trials=0, estimated_seconds=lambda: 0.0)


class Stage:
    """A runner whose helpers are played. Its process stands still when `where` is asked."""

    def __init__(self, folder: Path, where: str, lanes: int = 1) -> None:
        self.clock = ManualClock()
        self.board = Board.create(folder / "board", lanes)
        self.heard: list[Happening] = []
        self.sampler_silences: list[float] = []
        self._still = where
        self.stored: list[Any] = []
        team: Any = SimpleNamespace(
            waitables=list,
            hear=lambda: self._standing("lanes", self._listen()),
            kill=lambda lane: None,
        )
        sampler: Any = SimpleNamespace(
            waitables=list, hear=lambda: self._standing("sampler", []), trouble=self._trouble
        )
        writer: Any = SimpleNamespace(
            error=None,
            lag_seconds=0.0,
            run_id="run",
            last_safe_write_ns=0,
            now_seconds=lambda: 0.0,
            put=self.stored.append,
        )
        conductor: Any = SimpleNamespace(handle=self._handle, phase=None, finished=None)
        tools = Equipment(self.board, team, sampler, Readings(), writer, self.clock)
        plan: Any = SimpleNamespace(**{**vars(PLAN), "lanes": lanes, "cpus": tuple(range(lanes))})
        self.runner = Runner(plan, conductor, tools, Nobody(), Showing("played"))
        self.beat_all()

    def beat_all(self) -> None:
        """Everybody shows that it lives."""
        now = self.clock.monotonic_ns()
        self.board.set_lane(0, LaneSlot.HEARTBEAT_NS, now)
        self.board.put(Slot.SAMPLER_NS, now)
        self.board.put(Slot.WRITER_NS, now)

    def _listen(self) -> list[Any]:
        return []

    def _standing(self, who: str, answer: list[Any]) -> list[Any]:
        if who == self._still:
            self._still = ""
            self.clock.advance(STILL_SECONDS)
        return answer

    def _trouble(self, now_ns: int, since_ns: int) -> None:
        beat = max(self.board.get(Slot.SAMPLER_NS), since_ns)
        self.sampler_silences.append((now_ns - beat) / NS_PER_SECOND)

    def _handle(self, happening: Happening, now_ns: int) -> list[Any]:
        self.heard.append(happening)
        return []


@pytest.mark.parametrize("where", ["lanes", "sampler"])
def test_nobody_is_blamed_for_a_silence_in_which_the_runner_itself_stood_still_within_a_turn(
    tmp_path: Path, where: str
) -> None:
    """The whole machine without time, or everything stopped: lanes beat again a moment later."""
    stage = Stage(tmp_path, where)
    stage.runner._turn()
    (tick,) = [it for it in stage.heard if isinstance(it, Tick)]
    assert tick.silent_seconds == {0: 0.0}
    assert stage.sampler_silences == [0.0]
    assert stage.runner._writer_silence() == 0.0
    stage.runner._turn()
    assert [it for it in stage.heard if isinstance(it, StoodStill)] == [
        StoodStill(STILL_SECONDS, load_stopped=False)
    ]


def test_a_lane_that_alone_is_silent_is_told_with_how_long(tmp_path: Path) -> None:
    stage = Stage(tmp_path, "nobody")
    for _ in range(12):
        stage.clock.advance(1.0)
        stage.runner._turn()
    last = [it for it in stage.heard if isinstance(it, Tick)][-1]
    assert last.silent_seconds == {0: 12.0}
    assert not [it for it in stage.heard if isinstance(it, StoodStill)]


STOP = SafetyStop("cpu", 96.0, 95.0, "°C", 1.0, "the maker's")


class Stopped(Stage):
    """A run of two lanes over its limit; lane 0 stops 10 ms after the flag, lane 1 never."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, "nobody", lanes=2)
        #: What the lanes say, hearing by hearing; a hearing takes 0.1 s.
        self.said: list[list[Any]] = []
        self.raised_ns = self.clock.monotonic_ns()
        self.board.trip(StopReason.LIMIT, self.raised_ns)
        self.board.set_lane(0, LaneSlot.OFF_NS, self.raised_ns + NS_PER_SECOND // 100)
        self.runner.take_sampler_message(GuardTripped(STOP))

    def _listen(self) -> list[Any]:
        self.clock.advance(0.1)
        return self.said.pop(0) if self.said else []

    def kill_all(self) -> None:
        """What the conductor orders when one of them will not stop."""
        for lane in (0, 1):
            self.runner._perform(KillLane(lane))

    @property
    def told(self) -> list[float | None]:
        """Reaction times stored."""
        self.runner._tell_reaction()
        return [it.reaction_seconds for it in self.stored if isinstance(it, SafetyStop)]


def death(lane: int) -> Death:
    return Death(lane, -9, "killed by signal 9, SIGKILL", "")


def test_the_load_of_lanes_that_stop_by_themselves_is_off_when_they_say(tmp_path: Path) -> None:
    stage = Stopped(tmp_path)
    stage.board.set_lane(1, LaneSlot.OFF_NS, stage.raised_ns + NS_PER_SECOND // 50)
    assert stage.told == [0.02]


def test_the_load_of_a_killed_lane_is_off_when_its_end_is_heard(tmp_path: Path) -> None:
    stage = Stopped(tmp_path)
    stage.clock.advance(0.9)
    stage.kill_all()
    stage.said = [[], [death(0), death(1)]]
    assert stage.told == [pytest.approx(1.1)]


def test_the_end_of_a_lane_that_was_heard_in_the_loop_counts_too(tmp_path: Path) -> None:
    stage = Stopped(tmp_path)
    stage.said = [[death(1)]]
    stage.runner._turn()
    assert stage.told == [pytest.approx(0.1)]


def test_where_the_end_of_a_killed_lane_is_not_heard_no_reaction_is_told(tmp_path: Path) -> None:
    """A lane stuck in the kernel may go on: a time that leaves it out would be a lie."""
    stage = Stopped(tmp_path)
    stage.kill_all()
    stage.said = [[death(0)]]
    assert stage.told == []
    assert stage.clock.monotonic_ns() - stage.raised_ns < 3 * NS_PER_SECOND


def test_a_lane_that_died_before_the_limit_was_exceeded_has_no_part_in_the_reaction(
    tmp_path: Path,
) -> None:
    stage = Stopped(tmp_path)
    stage.runner._died_ns[1] = stage.raised_ns - NS_PER_SECOND
    assert stage.told == [0.01]


def test_the_time_of_a_stop_for_another_reason_is_not_told_as_the_guards(tmp_path: Path) -> None:
    """A wrong result stops the load; the guard trips 3 s later, when there is none any more."""
    stage = Stage(tmp_path, "nobody")
    stopped_ns = stage.clock.monotonic_ns()
    stage.board.trip(StopReason.PARENT, stopped_ns)
    stage.board.set_lane(0, LaneSlot.OFF_NS, stopped_ns + NS_PER_SECOND // 20)
    stage.clock.advance(3.0)
    stage.board.trip(StopReason.LIMIT, stage.clock.monotonic_ns())
    stage.runner.take_sampler_message(GuardTripped(STOP))
    stage.runner._tell_reaction()
    assert not [it for it in stage.stored if isinstance(it, SafetyStop)]


def test_the_conductor_hears_since_when_a_reading_was_over_the_limit(tmp_path: Path) -> None:
    stage = Stage(tmp_path, "nobody")
    assert stage.runner.take_sampler_message(GuardTripped(STOP, 0.25)) == LimitExceeded(STOP, 0.25)


def test_the_conductor_hears_when_the_flag_was_raised(tmp_path: Path) -> None:
    stage = Stopped(tmp_path)
    stage.clock.advance(0.7)
    stage.runner._turn()
    assert [it for it in stage.heard if isinstance(it, LoadStopped)] == [
        LoadStopped(stage.raised_ns)
    ]
