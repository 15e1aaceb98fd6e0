"""What a lane decides by itself, and what it answers when a part of the machine fails it.

Oracle: a connection that keeps everything; the faults are put in by hand. The processes are tested
in test_team.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

import pytest

from harness.board import Board, LaneSlot, Slot, StopReason
from harness.clock import SYSTEM
from harness.errors import BrokenEnvironment
from harness.lanes import messages as m
from harness.lanes.messages import Probe
from harness.lanes.worker import Lane, wants_more
from harness.plan import INPUT_SEED
from harness.sensors import clock_probe
from workloads.registry import load

A = TypeVar("A")
NAME = "matmul-fp64"
PARAMETERS = load(NAME).complete({"n": 64})
PREPARE = m.Prepare(0, NAME, PARAMETERS, INPUT_SEED)
PROBE = m.Probe(0, 0.0, 1, exact=True)


class Script:
    """A connection whose other end says these orders, and quits."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self._orders: list[m.Order] = []
        self._said: list[object] = []

    def recv(self) -> m.Order:
        self.board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
        return self._orders.pop(0) if self._orders else m.Quit()

    def send(self, answer: object) -> None:
        self._said.append(answer)

    def play(self, *orders: m.Order) -> None:
        """Let lane 0 carry them out."""
        self._orders = list(orders)
        connection: Any = self
        Lane(0, None, self.board, connection).serve()

    def one(self, kind: type[A]) -> A:
        """The only answer of its kind."""
        (found,) = [item for item in self._said if isinstance(item, kind)]
        return found


@pytest.fixture
def script(tmp_path: Path) -> Iterator[Script]:
    board = Board.create(tmp_path / "board", 2)
    yield Script(board)
    board.close()


def golden(script: Script) -> int:
    script.play(PREPARE, PROBE)
    return script.one(m.Probed).digests[0]


def go(absent: tuple[int, ...] = ()) -> m.Go:
    return m.Go(1, SYSTEM.monotonic_ns(), absent)


def test_a_lane_whose_clock_cannot_be_measured_works_without_and_says_why(
    script: Script, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: int) -> float:
        raise BrokenEnvironment("the clock probe cannot be compiled: no target")

    right = golden(script)
    monkeypatch.setattr(clock_probe, "measure_clock_hz", fail)
    script.play(PREPARE, m.Run(1, 0, right, passes=2), go())
    assert script.one(m.Ready).no_clock == "the clock probe cannot be compiled: no target"
    done = script.one(m.Done)
    assert (done.result.clock_hz, done.result.verified, done.failures) == (None, 2, 0)


def test_a_measured_clock_needs_no_reason(script: Script, monkeypatch: pytest.MonkeyPatch) -> None:
    right = golden(script)
    monkeypatch.setattr(clock_probe, "measure_clock_hz", lambda *_: 3.5e9)
    script.play(PREPARE, m.Run(1, 0, right, passes=1), go())
    assert (script.one(m.Ready).no_clock, script.one(m.Done).result.clock_hz) == ("", 3.5e9)


def test_the_load_is_not_kept_up_for_a_lane_that_did_not_get_ready(script: Script) -> None:
    right = golden(script)
    script.play(PREPARE, m.Run(1, 0, right, passes=2, together=(0, 1)), go(absent=(1,)))
    done = script.one(m.Done)
    assert (done.stopped, done.result.passes) == (False, 2)


def test_a_pass_outside_a_stretch_says_too_when_the_load_was_off(script: Script) -> None:
    golden(script)
    assert script.board.lane(0, LaneSlot.OFF_NS) == 0
    script.board.trip(StopReason.LIMIT, SYSTEM.monotonic_ns())
    script.play(PREPARE, PROBE)
    off_ns = script.board.lane(0, LaneSlot.OFF_NS)
    assert off_ns >= script.board.get(Slot.STOPPED_AT_NS)
    script.play(PREPARE, PROBE, m.Run(1, 0, 1, passes=1))
    assert script.board.lane(0, LaneSlot.OFF_NS) == off_ns  # the first time counts


USUAL = Probe(0, seconds=1.0, passes=3, enough_seconds=60.0)


@pytest.mark.parametrize(
    ("times", "more"),
    [
        ([], True),
        ([0.1], True),
        ([0.1] * 9, True),
        ([0.1] * 10 + [0.01], False),
        ([0.5, 0.5], True),
        ([20.0, 20.0], True),
        ([20.0] * 3, False),
        ([65.0], False),
        ([31.0, 31.0], False),
    ],
)
def test_a_probe_takes_its_time_and_passes_but_one_slow_pass_is_enough(
    times: list[float], more: bool
) -> None:
    assert wants_more(USUAL, times, stopped=False) is more


@pytest.mark.parametrize("passes", [1, 2, 3])
def test_a_stop_ends_a_probe_after_the_pass_under_way(passes: int) -> None:
    assert not wants_more(USUAL, [0.1] * passes, stopped=True)


def test_a_stop_leaves_both_ends_of_a_pair_their_passes() -> None:
    paired = Probe(0, seconds=1.0, passes=3, exact=True, enough_seconds=60.0)
    assert [wants_more(paired, [0.1] * n, stopped=True) for n in range(4)] == [True] * 3 + [False]


def test_both_ends_of_a_pair_do_the_same_number_of_passes_however_slow() -> None:
    paired = Probe(0, seconds=1.0, passes=3, exact=True, enough_seconds=60.0)
    assert [wants_more(paired, [99.0] * n, stopped=False) for n in range(4)] == [True] * 3 + [False]


def test_a_second_opinion_during_which_the_stop_flag_went_up_says_when_it_was_over(
    script: Script,
) -> None:
    raised_ns = SYSTEM.monotonic_ns()
    script.board.trip(StopReason.LIMIT, raised_ns)
    script.play(PREPARE, m.Recheck(0, 0))
    assert script.one(m.Rechecked).failure == 0
    assert script.board.lane(0, LaneSlot.OFF_NS) > raised_ns
