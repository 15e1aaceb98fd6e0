"""Real lanes: started, pinned, working in step, explained when they die, gone with their parent."""

from __future__ import annotations

import multiprocessing
import os
import re
import signal
import struct
from collections.abc import Iterator
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any, TypeVar

import psutil
import pytest

from harness.board import Board, LaneSlot, Slot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.lanes import messages as m
from harness.lanes import team as team_module
from harness.lanes.gate import SquareWave
from harness.lanes.patience import Limit
from harness.lanes.team import SINGLE_THREADED, Death, LaneTeam, context, describe_exit, read_tail
from harness.plan import INPUT_SEED
from workloads.registry import load

A = TypeVar("A")
NAME = "matmul-fp64"
PARAMETERS = load(NAME).complete({"n": 256})


class Lanes:
    """A team with a simple way to talk to it."""

    def __init__(self, team: LaneTeam, board: Board) -> None:
        self.team = team
        self.board = board
        self._heard: list[object] = []

    def ask(self, lane: int, order: m.Order, kind: type[A]) -> A:
        self.team.send(lane, order)
        return self.until(kind, 1)[0]

    def until(self, kind: type[A], count: int) -> list[A]:
        deadline = SYSTEM.monotonic_ns() + 60 * NS_PER_SECOND
        while True:
            found = [item for item in self._heard if isinstance(item, kind)]
            if len(found) >= count:
                self._heard = [item for item in self._heard if not isinstance(item, kind)]
                return found
            assert SYSTEM.monotonic_ns() < deadline, f"no {kind.__name__} among {self._heard}"
            self.board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
            wait(self.team.waitables(), timeout=0.1)  # type: ignore[arg-type]
            self._heard += self.team.hear()

    def prepare(self, lane: int) -> int:
        self.ask(lane, m.Prepare(0, NAME, PARAMETERS, INPUT_SEED), m.Prepared)
        return self.ask(lane, m.Probe(0, 0.0, 3, exact=True), m.Probed).digests[0]

    def ready(self, lane: int, **order: object) -> None:
        self.ask(lane, m.Run(stretch=1, load=0, **order), m.Ready)  # type: ignore[arg-type]

    def go(self, lane: int, delay_ns: int = 10_000_000) -> int:
        start = SYSTEM.monotonic_ns() + delay_ns
        self.team.send(lane, m.Go(1, start))
        return start


@pytest.fixture
def lanes(tmp_path: Path) -> Iterator[Lanes]:
    cpus = sorted(os.sched_getaffinity(0))
    board = Board.create(tmp_path / "board", 2)
    board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
    with LaneTeam(context([NAME]), board, tmp_path) as team:
        for lane in range(2):
            team.start(lane, cpus[lane % len(cpus)])
        talk = Lanes(team, board)
        ups = talk.until(m.LaneUp, 2)
        assert {up.lane for up in ups} == {0, 1}
        yield talk


def test_a_lane_is_pinned_to_its_cpu(lanes: Lanes) -> None:
    pid = lanes.team.pid(1)
    assert pid is not None
    assert psutil.Process(pid).cpu_affinity() == [lanes.board.lane(1, LaneSlot.CPU)]


def test_lanes_are_told_to_use_one_thread_before_any_library_loads() -> None:
    before = {name: os.environ.pop(name, None) for name in SINGLE_THREADED}
    try:
        context([NAME])
        assert {os.environ[name] for name in SINGLE_THREADED} == {"1"}
    finally:
        os.environ.update({name: value for name, value in before.items() if value is not None})


def test_fixed_work_is_done_and_every_pass_verified(lanes: Lanes) -> None:
    golden = lanes.prepare(0)
    lanes.ready(0, golden=golden, passes=5)
    start = lanes.go(0)
    done = lanes.until(m.Done, 1)[0]
    assert (done.result.passes, done.result.verified, done.failures) == (5, 5, 0)
    assert done.started_ns >= start
    assert done.result.work == pytest.approx(5 * 2 * 256**3, rel=0.01)
    assert lanes.board.lane(0, LaneSlot.VERIFIED) == 5


def test_a_wrong_golden_is_reported_with_a_diagnosis_and_stops_the_lane(lanes: Lanes) -> None:
    golden = lanes.prepare(0)
    lanes.ready(0, golden=golden ^ 1, passes=5)
    lanes.go(0)
    done = lanes.until(m.Done, 1)[0]
    wrong = lanes.until(m.Mismatch, 1)[0]
    assert (done.result.passes, done.failures, done.stopped) == (1, 1, True)
    assert "this core computes wrongly" in wrong.kind
    assert "inputs intact" in wrong.detail


@pytest.mark.parametrize(("role", "kind"), [("input", "memory or cache"), ("result", "transient")])
def test_a_flipped_bit_is_told_apart_by_where_it_was(lanes: Lanes, role: str, kind: str) -> None:
    golden = lanes.prepare(0)
    sabotage = m.Sabotage(at_pass=2, role=role, kind="exponent", seed=1)
    lanes.ready(0, golden=golden, passes=5, sabotage=sabotage)
    lanes.go(0)
    wrong = lanes.until(m.Mismatch, 1)[0]
    assert (wrong.pass_number, wrong.kind) == (2, kind)
    assert role in lanes.until(m.Done, 1)[0].sabotaged


def test_a_lane_counts_on_when_it_shall_not_stop(lanes: Lanes) -> None:
    golden = lanes.prepare(0)
    sabotage = m.Sabotage(at_pass=1, role="result", kind="any", seed=1)
    lanes.ready(0, golden=golden, passes=5, sabotage=sabotage, stop_on_failure=False)
    lanes.go(0)
    done = lanes.until(m.Done, 1)[0]
    assert (done.result.passes, done.result.verified, done.failures) == (5, 4, 1)


def test_the_stop_flag_ends_a_soak_between_two_passes(lanes: Lanes) -> None:
    golden = lanes.prepare(0)
    lanes.ready(0, golden=golden, seconds=60.0)
    lanes.go(0)
    lanes.board.trip(StopReason.LIMIT, SYSTEM.monotonic_ns())
    done = lanes.until(m.Done, 1)[0]
    assert done.stopped
    assert done.result.seconds < 30
    assert lanes.board.lane(0, LaneSlot.OFF_NS) > 0


def test_a_silent_parent_stops_the_lane_by_itself(lanes: Lanes) -> None:
    golden = lanes.prepare(0)
    lanes.ready(0, golden=golden, seconds=60.0)
    lanes.board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns() - 60 * NS_PER_SECOND)
    lanes.team.send(0, m.Go(1, SYSTEM.monotonic_ns()))
    while lanes.board.stop is StopReason.NONE:
        wait(lanes.team.waitables(), timeout=0.05)  # type: ignore[arg-type]
    assert lanes.board.stop is StopReason.SILENT_PARENT
    assert lanes.until(m.Done, 1)[0].stopped


def test_load_steps_begin_at_the_gates_edges(lanes: Lanes) -> None:
    golden = lanes.prepare(0)
    gate = SquareWave.of(10.0, 30.0)
    lanes.ready(0, golden=golden, seconds=1.0, gate=gate)
    start = lanes.go(0)
    done = lanes.until(m.Done, 1)[0]
    late = [begun - (start + number * gate.period_ns) for number, begun in done.step_starts]
    assert 2 <= len(late) <= 10
    assert min(late) >= 0


def test_a_stretch_that_is_called_off_leaves_the_lane_usable(lanes: Lanes) -> None:
    golden = lanes.prepare(0)
    lanes.ready(0, golden=golden, passes=5)
    assert lanes.ask(0, m.Recheck(0, failure=4), m.Rechecked).digest == golden


def test_an_exception_comes_back_with_its_traceback(lanes: Lanes) -> None:
    order = m.Prepare(1, NAME, {"n": -1}, INPUT_SEED)
    trouble = lanes.ask(0, order, m.LaneTrouble)
    assert trouble.load == 1
    assert "Traceback" in trouble.text
    assert lanes.prepare(0)  # and the lane goes on


@pytest.mark.parametrize("name", ["SIGSEGV", "SIGILL", "SIGBUS", "SIGFPE", "SIGKILL"])
def test_a_death_is_explained_by_its_signal(lanes: Lanes, name: str) -> None:
    pid = lanes.team.pid(1)
    assert pid is not None
    os.kill(pid, getattr(signal, name))
    death = lanes.until(Death, 1)[0]
    assert death.lane == 1
    assert name in death.how
    if name == "SIGSEGV":
        assert "Segmentation fault" in death.stderr_tail  # faulthandler's stack
    assert lanes.team.alive == (0,)


class Stopped:
    """A lane's process that stops in the middle of what it says; killing it ends its sentence."""

    exitcode: int | None = None
    pid = None

    def __init__(self) -> None:
        self.ours, self._theirs = multiprocessing.Pipe()
        self.sentinel, self._life = os.pipe()
        # multiprocessing puts the length in front of a message, in four bytes.
        os.write(self._theirs.fileno(), struct.pack("!i", 1000) + b"x" * 10)

    def kill(self) -> None:
        if self.exitcode is None:
            self.exitcode = -signal.SIGKILL
            self._theirs.close()
            os.close(self._life)

    def join(self, timeout: float) -> None:
        """It is dead at once when it is killed."""

    def is_alive(self) -> bool:
        return self.exitcode is None


def test_a_lane_that_stops_in_the_middle_of_a_message_is_ended_and_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(team_module, "MESSAGE", Limit(0.3, 0.3))
    stopped = Stopped()
    with LaneTeam(context([]), Board.create(tmp_path / "board", 1), tmp_path) as team:
        member: Any = team_module._Member(stopped, stopped.ours, tmp_path / "none")  # type: ignore[arg-type]
        team._members[0] = member
        (death,) = team.hear()
        assert isinstance(death, Death)
        assert (death.lane, death.exit_code) == (0, -signal.SIGKILL)
        assert re.fullmatch(r"gave no .* s in mid-message and was ended", death.how)
        assert team.hear() == []
    os.close(stopped.sentinel)


def test_closing_leaves_no_process(tmp_path: Path) -> None:
    board = Board.create(tmp_path / "board", 1)
    board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
    with LaneTeam(context([]), board, tmp_path) as team:
        team.start(0, None)
        pid = team.pid(0)
        Lanes(team, board).until(m.LaneUp, 1)
    assert pid is not None
    assert not psutil.pid_exists(pid) or psutil.Process(pid).status() == psutil.STATUS_ZOMBIE


def test_exit_codes_are_put_into_words() -> None:
    assert describe_exit(None) == "ended without an exit status"
    assert describe_exit(3) == "exit code 3"
    assert describe_exit(-11) == "killed by signal 11, SIGSEGV"
    assert "out of memory" in describe_exit(-9)
    assert "template" in describe_exit(255)


def test_only_the_tail_of_stderr_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "stderr"
    path.write_text("x" * 10_000 + "\nlast words")
    assert len(read_tail(path)) <= 4000
    assert read_tail(path).endswith("last words")
    assert read_tail(tmp_path / "nothing") == ""
