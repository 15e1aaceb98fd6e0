"""A template process that hangs, at whatever stage, is an explained failure and no hang.

Oracle: processes stopped by SIGSTOP, which answer nobody until they are killed.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from harness.board import Board, Slot
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.errors import BrokenEnvironment
from harness.lanes import messages as m
from harness.lanes import starting
from harness.lanes.patience import Limit, Patience
from harness.lanes.starting import _templates, start_process
from harness.lanes.team import LaneTeam, context
from harness.sensors.sampler import SamplerConfig
from harness.watchers import SamplerHandle
from tests.lanes.test_team import Lanes

SHORT = Limit(1.0, 60.0)
CONFIG = SamplerConfig("/", 0.1, 0)

pytestmark = pytest.mark.skipif(
    not hasattr(signal, "SIGSTOP") or not Path("/proc").exists(),
    reason="only Linux forks lanes from a template that can be stopped",
)


@pytest.fixture(autouse=True)
def _short_patience(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(starting, "TEMPLATE", SHORT)
    yield
    starting.end_template()  # a stopped one would hold the next test up


@pytest.fixture
def board(tmp_path: Path) -> Board:
    made = Board.create(tmp_path / "board", 2)
    made.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
    return made


def template() -> psutil.Process:
    (found,) = [it for it in _templates() if it.status() != psutil.STATUS_ZOMBIE]
    return found


def stop_template() -> psutil.Process:
    found = template()
    found.send_signal(signal.SIGSTOP)
    return found


def gone(pid: int | None) -> bool:
    """Whether it ends: the kernel takes a moment for what dies with another process."""
    deadline = SYSTEM.monotonic_ns() + 10 * NS_PER_SECOND
    while SYSTEM.monotonic_ns() < deadline:
        try:
            if psutil.Process(pid).status() == psutil.STATUS_ZOMBIE:
                return True
        except psutil.NoSuchProcess:
            return True
        SYSTEM.sleep(0.01)
    return False


def warm_template() -> None:
    """A template that has forked once."""
    first = context([]).Process(target=os.getpid)  # type: ignore[attr-defined]
    patience = Patience()
    start_process(first, patience, Limit(60.0, 60.0))
    patience.close()
    first.join()


def test_a_template_that_is_stopped_before_the_first_lane_is_told_and_ended(
    tmp_path: Path, board: Board
) -> None:
    warm_template()
    stopped = stop_template()
    with (
        LaneTeam(context([]), board, tmp_path) as team,
        pytest.raises(BrokenEnvironment, match=r"no sign of life for 1 s when lane-0 was to be"),
    ):
        team.start(0, None)
    assert gone(stopped.pid)


def test_a_template_that_is_stopped_between_two_lanes_takes_the_first_with_it(
    tmp_path: Path, board: Board
) -> None:
    with LaneTeam(context([]), board, tmp_path) as team:
        team.start(0, None)
        Lanes(team, board).until(m.LaneUp, 1)
        pid = team.pid(0)
        stopped = stop_template()
        with pytest.raises(BrokenEnvironment, match="when lane-1 was to be forked"):
            team.start(1, None)
    assert gone(stopped.pid)
    assert gone(pid)


def test_a_template_that_is_stopped_before_the_sampler_is_told_and_ended(
    tmp_path: Path, board: Board
) -> None:
    warm_template()
    stopped = stop_template()
    with pytest.raises(BrokenEnvironment, match="when sampler was to be forked"):
        SamplerHandle(context([]), CONFIG, board)
    assert gone(stopped.pid)


def test_a_template_that_is_stopped_under_a_sampler_does_not_keep_it_from_ending(
    board: Board,
) -> None:
    sampler = SamplerHandle(context([]), CONFIG, board)
    pid = sampler._process.pid
    stopped = stop_template()
    sampler.stop(patience_seconds=2.0)
    assert gone(pid)
    assert gone(stopped.pid)  # multiprocessing would wait for its word when this process ends
    assert not sampler._process.is_alive()


def test_a_template_that_is_killed_is_told_and_the_next_start_makes_a_new_one() -> None:
    warm_template()
    stopped = stop_template()
    patience = Patience()
    child = context([]).Process(target=os.getpid)  # type: ignore[attr-defined]
    killer = threading.Timer(0.3, stopped.kill)
    killer.start()
    with pytest.raises(BrokenEnvironment, match="the template process ended when"):
        start_process(child, patience, Limit(60.0, 60.0))
    killer.join()
    patience.close()
    assert gone(stopped.pid)
    warm_template()
    assert template().pid != stopped.pid


def test_a_stopped_template_is_ended_although_processes_cannot_be_listed_for_a_while(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As when every descriptor of the process is in use."""
    warm_template()
    stopped = stop_template()
    calls: list[None] = []
    children = psutil.Process.children

    def troubled(self: psutil.Process, recursive: bool = False) -> list[psutil.Process]:
        calls.append(None)
        if len(calls) < 8:
            raise OSError(24, "Too many open files")
        return children(self, recursive)

    monkeypatch.setattr(psutil.Process, "children", troubled)
    patience = Patience()
    late = threading.Timer(30.0, stopped.kill)
    late.start()
    child = context([]).Process(target=os.getpid)  # type: ignore[attr-defined]
    with pytest.raises(BrokenEnvironment, match="no sign of life for 1 s"):
        start_process(child, patience, Limit(1.0, 60.0))
    late.cancel()
    patience.close()
    assert len(calls) >= 8
    assert gone(stopped.pid)


def test_ending_the_template_does_not_fail_where_processes_cannot_be_listed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[None] = []

    def troubled(self: psutil.Process, recursive: bool = False) -> list[psutil.Process]:
        asked.append(None)
        raise psutil.AccessDenied(1)

    with monkeypatch.context() as patch:
        patch.setattr(psutil.Process, "children", troubled)
        starting.end_template()
    assert asked


def test_work_of_the_template_is_seen_and_a_stopped_one_does_none() -> None:
    warm_template()
    assert starting.template_work() > 0.0
    stop_template()
    before = starting.template_work()
    assert starting.template_work() == before
