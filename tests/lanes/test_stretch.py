"""The hot loop between its passes: windows that were missed, the stop flag, the heartbeat.

Oracle: a task that only counts, a board that a test reads.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.board import SILENCE_NS, Board, LaneSlot, Slot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.lanes import gate as gate_module
from harness.lanes.gate import Bursts
from harness.lanes.messages import Run
from harness.lanes.stretch import Stretch, Tally

BURSTS = Bursts(seed=1, idle_ns=50_000_000, burst_ns=5_000_000)
RIGHT = 7


class Counter:
    """A task whose every pass is right."""

    began = True

    def __init__(self) -> None:
        self.passes = 0

    def execute(self) -> None:
        self.passes += 1

    def digest(self) -> int:
        return RIGHT

    def begin(self) -> None:
        """Nothing starts anew."""

    def finish(self) -> None:
        """Nobody waits."""


class Held:
    """A gated stretch whose lane was held up for so long since its start."""

    def __init__(self, board: Board, late_seconds: float, seconds: float) -> None:
        self.task = Counter()
        self.board = board
        self._late_ns = round(late_seconds * NS_PER_SECOND)
        self._order = Run(1, 0, RIGHT, seconds=seconds, gate=BURSTS)

    def run(self) -> Tally:
        task: Any = self.task
        stretch = Stretch(self._order, task, self.board, 0, lambda *_: None)
        return stretch.run(SYSTEM.monotonic_ns() - self._late_ns)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    it = Board.create(tmp_path / "board", 1)
    it.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
    yield it
    it.close()


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The random numbers that were drawn for windows."""
    numbers: list[int] = []
    splitmix = gate_module._splitmix

    def draw(state: int) -> int:
        numbers.append(state)
        return splitmix(state)

    monkeypatch.setattr(gate_module, "_splitmix", draw)
    return numbers


def test_a_lane_that_missed_windows_sees_the_stop_flag_before_the_next(
    board: Board, drawn: list[int]
) -> None:
    board.trip(StopReason.LIMIT, SYSTEM.monotonic_ns())
    held = Held(board, late_seconds=60.0, seconds=120.0)
    tally = held.run()
    assert tally.stopped
    assert len(drawn) <= 2
    assert held.task.passes == 0
    assert board.lane(0, LaneSlot.OFF_NS) >= board.get(Slot.STOPPED_AT_NS)


def test_a_lane_that_missed_windows_stops_by_itself_when_its_parent_is_silent(
    board: Board, drawn: list[int]
) -> None:
    board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns() - 2 * SILENCE_NS)
    assert Held(board, late_seconds=60.0, seconds=120.0).run().stopped
    assert board.stop is StopReason.SILENT_PARENT
    assert len(drawn) <= 2


def test_a_lane_that_passes_over_missed_windows_shows_that_it_lives(
    board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[LaneSlot] = []
    keep = board.set_lane

    def write(lane: int, slot: LaneSlot, value: int) -> None:
        written.append(slot)
        keep(lane, slot, value)

    monkeypatch.setattr(board, "set_lane", write)
    held = Held(board, late_seconds=60.0, seconds=60.2)
    tally = held.run()
    missed = tally.step_starts[0][0] if tally.step_starts else 1000
    assert missed > 500  # of about 1100 in a minute
    assert written.count(LaneSlot.HEARTBEAT_NS) > missed
    assert not tally.stopped
    assert (tally.verified, tally.passes) == (held.task.passes, held.task.passes)


def test_each_window_of_a_long_soak_is_drawn_once(board: Board, drawn: list[int]) -> None:
    """Eight hours of bursts are half a million: a sum from the start at each would be their square.

    Counted in draws, not in time.
    """
    Held(board, late_seconds=60.0, seconds=60.2).run()
    assert len(drawn) > 500  # of about 1100 in a minute
    assert len(drawn) == len(set(drawn))
