"""SIGSTOP of each process of a whole run in turn: what hangs is noticed within its stated time and
named, the load goes off, what lives on is not blamed, and nothing is left behind.

Oracle: the times on the run's board, whose memory outlives the run here. Several runs go on at the
same time in rigs of their own, since each of them mostly waits.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.board import SILENCE_NS, Board, LaneSlot, Slot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.finishing import REPORT_NAMES
from harness.outcome import Ending, ExitCode, Verdict
from harness.phases.state import HANG_SECONDS
from harness.results import EventKind, FailureKind
from harness.watchers import SAMPLER_SILENT_SECONDS
from tests.faults.rigs import ENTRY, SOAK, Command, Rig, until

#: What a shared machine may add to a stated time before somebody gets to run.
SLACK_SECONDS = 3.0
#: A run whose patience with its template is shorter than the shipped one, which a test can await.
IDLE_SECONDS = 5.0
IMPATIENT = (
    "from harness.lanes import patience, starting; "
    f"starting.TEMPLATE = patience.Limit({IDLE_SECONDS}, 600.0); " + ENTRY
)
SCENES = ("sampler", "lane", "template", "parent", "everything")


@dataclass
class Scene:
    """A run under load, one process of it stopped at `stopped_ns` (monotonic)."""

    rig: Rig
    command: Command
    board: Board
    roles: dict[str, int]
    stopped_ns: int = 0

    def stop(self, role: str) -> None:
        self.stopped_ns = SYSTEM.monotonic_ns()
        if role == "everything":  # as a terminal does it
            os.killpg(self.command.pid, signal.SIGSTOP)
        else:
            os.kill(self.roles[role], signal.SIGSTOP)

    def stopped_after(self, since_ns: int) -> float:
        """Seconds from a moment to the stop flag."""
        return (self.board.get(Slot.STOPPED_AT_NS) - since_ns) / NS_PER_SECOND


def under_load(rig: Rig, command: Command) -> Scene:
    rig.await_load(command)
    scene = Scene(rig, command, rig.board(command), rig.roles(command))
    until(lambda: scene.board.lane(1, LaneSlot.VERIFIED) > 0, "a verified pass")
    return scene


@pytest.fixture(scope="module")
def scenes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Scene]]:
    """A run for each victim, each stopped under load."""
    if not Path("/proc/self/environ").exists() or len(os.sched_getaffinity(0)) < 2:
        pytest.skip("needs /proc and two CPUs")
    with ExitStack() as stack:
        rigs = {name: stack.enter_context(Rig(tmp_path_factory.mktemp(name))) for name in SCENES}
        commands = {name: rig.run(SOAK) for name, rig in rigs.items()}
        found = {name: under_load(rig, commands[name]) for name, rig in rigs.items()}
        for name, scene in found.items():
            scene.stop("lane 1" if name == "lane" else name)
        yield found


def test_a_hung_sampler_is_a_failure_and_the_load_goes_off(scenes: dict[str, Scene]) -> None:
    scene = scenes["sampler"]
    assert scene.command.ended() == ExitCode.FAIL, scene.command.tail
    (failure,) = scene.rig.data().failures
    assert failure.kind is FailureKind.PROCESS_DIED
    assert "sampler: no heartbeat for" in failure.detail
    waited = scene.stopped_after(scene.board.get(Slot.SAMPLER_NS))
    assert SAMPLER_SILENT_SECONDS <= waited < SAMPLER_SILENT_SECONDS + SLACK_SECONDS
    assert scene.rig.seconds_until_gone(2.0) < 2.0


def test_a_hung_lane_is_named_with_its_core_and_ends_the_load(scenes: dict[str, Scene]) -> None:
    scene = scenes["lane"]
    assert scene.command.ended() == ExitCode.FAIL, scene.command.tail
    data = scene.rig.data()
    (failure,) = data.failures
    assert (failure.kind, failure.lane) == (FailureKind.LANE_HUNG, 1)
    assert failure.core == sorted(os.sched_getaffinity(0))[1]
    assert data.ending is Ending.STOPPED_ON_FAILURE
    waited = scene.stopped_after(scene.board.lane(1, LaneSlot.HEARTBEAT_NS))
    assert HANG_SECONDS <= waited < HANG_SECONDS + SLACK_SECONDS
    off = scene.board.lane(0, LaneSlot.OFF_NS) - scene.board.get(Slot.STOPPED_AT_NS)
    assert 0 <= off < NS_PER_SECOND  # the innocent lane's load
    assert [soak.complete for soak in data.soaks] == [False]
    assert scene.rig.seconds_until_gone(2.0) < 2.0


def test_a_hung_template_neither_harms_the_load_nor_keeps_the_run_from_ending(
    scenes: dict[str, Scene],
) -> None:
    scene = scenes["template"]
    before = scene.board.lane(0, LaneSlot.VERIFIED)
    until(lambda: scene.board.lane(0, LaneSlot.VERIFIED) > before + 10, "work going on")
    os.kill(scene.command.pid, signal.SIGINT)
    assert scene.command.ended() == ExitCode.INTERRUPTED, scene.command.tail
    assert scene.rig.data().failures == ()
    assert scene.rig.seconds_until_gone(2.0) < 2.0


def test_a_template_that_hangs_before_there_is_a_lane_is_told_in_its_time_and_reported(
    tmp_path: Path,
) -> None:
    with Rig(tmp_path) as rig:
        command = rig.run(SOAK, code=IMPATIENT)
        template = until(lambda: template_of(rig), "the template")
        os.kill(template, signal.SIGSTOP)
        assert command.ended(IDLE_SECONDS + 60) == ExitCode.ERROR, command.tail
        assert "Traceback" not in command.stderr
        told = f"gave no sign of life for {IDLE_SECONDS:g} s when sampler was to be forked"
        assert command.stderr.count(told) == 1
        data = rig.data()
        assert (data.ending, data.failures) == (Ending.ERROR, ())
        assert told in data.ending_text
        folder = rig.folder()
        assert folder is not None
        assert all((folder / name).is_file() for name in REPORT_NAMES)
        assert rig.seconds_until_gone(2.0) < 2.0


def template_of(rig: Rig) -> int | None:
    """The process that multiprocessing forks from, as soon as there is one."""
    found = [it.pid for it in rig.processes() if "forkserver" in it.command]
    return found[0] if found else None


def test_lanes_stop_by_themselves_when_the_parent_is_silent(scenes: dict[str, Scene]) -> None:
    scene = scenes["parent"]
    board = scene.board
    until(lambda: board.stop is StopReason.SILENT_PARENT, "the lanes' own decision")
    waited = scene.stopped_after(board.get(Slot.PARENT_NS))
    assert SILENCE_NS / NS_PER_SECOND <= waited < SILENCE_NS / NS_PER_SECOND + SLACK_SECONDS
    lanes = range(board.lanes)
    until(lambda: all(board.lane(lane, LaneSlot.OFF_NS) for lane in lanes), "the load being off")
    passes = [board.lane(lane, LaneSlot.PASSES) for lane in lanes]
    os.kill(scene.command.pid, signal.SIGCONT)
    assert scene.command.ended() == ExitCode.INTERRUPTED, scene.command.tail
    assert [board.lane(lane, LaneSlot.PASSES) for lane in lanes] == passes
    data = scene.rig.data()
    assert data.failures == ()
    (told,) = [event for event in data.events if event.kind is EventKind.INTERRUPTED]
    assert "stood still for" in told.text
    assert "the lanes ended their load by themselves" in told.text
    assert told.data["stood_still_seconds"] >= SILENCE_NS / NS_PER_SECOND
    (soak,) = data.soaks
    assert not soak.complete
    assert soak.ended_seconds - soak.started_seconds < told.at_seconds - soak.started_seconds
    assert scene.rig.seconds_until_gone(2.0) < 2.0


def test_a_run_that_was_stopped_as_a_whole_blames_none_of_its_processes(
    scenes: dict[str, Scene],
) -> None:
    scene = scenes["everything"]
    hung_ns = round((HANG_SECONDS + 1) * NS_PER_SECOND)
    until(lambda: SYSTEM.monotonic_ns() - scene.stopped_ns > hung_ns, "longer than any deadline")
    os.killpg(scene.command.pid, signal.SIGCONT)
    assert scene.command.ended() == ExitCode.INTERRUPTED, scene.command.tail
    data = scene.rig.data()
    assert (data.failures, data.ending) == ((), Ending.INTERRUPTED)
    assert "stood still for" in data.ending_text
    assert [soak.complete for soak in data.soaks] == [False]
    assert scene.rig.seconds_until_gone(2.0) < 2.0


def test_a_stopped_run_can_be_resumed_without_confirmation(scenes: dict[str, Scene]) -> None:
    scene = scenes["parent"]
    folder = scene.rig.folder()
    assert folder is not None
    resumed = scene.rig.start("resume", folder.name)
    before = len(scene.rig.data().soaks)
    scene.rig.await_load(resumed)
    os.kill(resumed.pid, signal.SIGTERM)
    assert resumed.ended() == ExitCode.INTERRUPTED, resumed.tail
    data = scene.rig.data()
    assert len(data.soaks) == before + 1
    assert scene.rig.listed()[folder.name]["verdict"] == Verdict.INCONCLUSIVE
