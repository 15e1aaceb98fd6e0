"""The parent's side of the lanes: starts them, sends orders, hears answers and deaths."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections.abc import Iterable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from pathlib import Path

from harness.board import Board
from harness.clock import SYSTEM
from harness.lanes.messages import Answer, LaneTrouble, Order, Quit
from harness.lanes.patience import MESSAGE, Overdue, Patience
from harness.lanes.sockets import choose_socket_folder
from harness.lanes.starting import end_template, start_process
from harness.lanes.worker import LaneSetup, lane_main
from harness.parent_death import STARTED_BY_VARIABLE
from workloads import surroundings

#: One thread a lane: parallel sums change with the thread count, and a lane is one CPU's load.
SINGLE_THREADED = dict.fromkeys(
    (
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "BLIS_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS",
        "NUMBA_NUM_THREADS",
    ),
    "1",
)
#: Names the workloads that the template process warms (see harness.lanes.template).
WARM_VARIABLE = "RIGPROOF_WARM"
_STDERR_TAIL_BYTES = 4000
#: How long the template process may take to pass on a lane's exit status.
_DEATH_NOTICE_SECONDS = 1.0
#: What multiprocessing reports of a child whose forkserver is gone and cannot tell its status.
_TEMPLATE_GONE = 255


@dataclass(frozen=True)
class Death:
    """A lane's process ended: how, and the end of what it wrote to stderr."""

    lane: int
    exit_code: int | None
    how: str
    stderr_tail: str


@dataclass
class _Member:
    process: BaseProcess
    connection: Connection
    stderr: Path
    dead: bool = False
    leaving: bool = False


def context(warm: Iterable[str]) -> BaseContext:
    """The best start method here, its template told which workloads to warm.

    The thread-count variables are set before the template starts, since libraries read them once.
    Raises BrokenEnvironment when there is no folder for the template's socket.
    """
    surroundings.set_for_lanes(SINGLE_THREADED)
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    choose_socket_folder()
    for_template = {WARM_VARIABLE: ",".join(sorted(set(warm))), STARTED_BY_VARIABLE: os.getpid()}
    surroundings.set_for_lanes({name: str(value) for name, value in for_template.items()})
    found = multiprocessing.get_context("forkserver")
    found.set_forkserver_preload(["harness.lanes.template"])
    return found


class LaneTeam:
    """All lanes of a run. Use as a context manager: leaving it leaves no process behind."""

    def __init__(self, context: BaseContext, board: Board, scratch: Path) -> None:
        self._context = context
        self._board = board
        self._scratch = scratch
        self._members: dict[int, _Member] = {}
        self._patience = Patience()

    def __enter__(self) -> LaneTeam:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def start(self, lane: int, cpu: int | None) -> None:
        """Start one lane; it answers `LaneUp`. Raises BrokenEnvironment, see `start_process`."""
        ours, theirs = self._context.Pipe()
        stderr = self._scratch / f"lane-{lane}.stderr"
        setup = LaneSetup(lane, cpu, str(self._board.path), str(stderr), SYSTEM.monotonic_ns())
        process = self._context.Process(  # type: ignore[attr-defined]
            target=lane_main, args=(setup, theirs), name=f"lane-{lane}", daemon=True
        )
        try:
            start_process(process, self._patience)
        finally:
            theirs.close()
        self._members[lane] = _Member(process, ours, stderr)

    @property
    def alive(self) -> tuple[int, ...]:
        """Lanes that have not died."""
        return tuple(lane for lane, member in self._members.items() if not member.dead)

    def pid(self, lane: int) -> int | None:
        """Process id of a lane."""
        return self._members[lane].process.pid

    def send(self, lane: int, order: Order) -> None:
        """Send an order; a dead lane's death is heard by `hear`, not here."""
        member = self._members[lane]
        with (
            contextlib.suppress(OSError, ValueError, Overdue),
            self._patience.limited(MESSAGE, member.process.kill),
        ):
            member.connection.send(order)

    def waitables(self) -> list[object]:
        """What `multiprocessing.connection.wait` can watch for this team."""
        found: list[object] = []
        for member in self._members.values():
            if not member.dead:
                found += [member.connection, member.process.sentinel]
        return found

    def hear(self) -> list[Answer | Death]:
        """Everything the lanes have said since the last call, deaths after last words."""
        heard: list[Answer | Death] = []
        for lane, member in self._members.items():
            if not member.dead:
                heard += self._hear_member(lane, member)
        return heard

    def _hear_member(self, lane: int, member: _Member) -> list[Answer | Death]:
        ended = bool(wait([member.process.sentinel], timeout=0))
        heard: list[Answer | Death] = []
        try:
            while member.connection.poll():
                with self._patience.limited(MESSAGE, member.process.kill):
                    heard.append(member.connection.recv())
        except (EOFError, OSError):
            ended = True  # the template tells a death, but may itself be stopped
        except Overdue as overdue:
            return [*heard, self._give_up(lane, member, f"gave {overdue} in mid-message")]
        except Exception as error:  # noqa: BLE001 - whatever damaged bytes make of themselves
            what = f"sent damaged data ({type(error).__name__}: {error})"
            return [*heard, self._give_up(lane, member, what)]
        if ended:
            member.dead = True
            member.process.join(timeout=_DEATH_NOTICE_SECONDS)
            member.connection.close()
            if not member.leaving:
                heard.append(self._explain(lane, member))
        return heard

    def _give_up(self, lane: int, member: _Member, what: str) -> Death:
        """A lane whose words cannot be read is a broken lane: on this machine that is a finding."""
        member.dead = True
        member.process.kill()
        member.process.join(timeout=_DEATH_NOTICE_SECONDS)
        member.connection.close()
        tail = read_tail(member.stderr)
        return Death(lane, member.process.exitcode, f"{what} and was ended", tail)

    def _explain(self, lane: int, member: _Member) -> Death:
        code = member.process.exitcode
        return Death(lane, code, describe_exit(code), read_tail(member.stderr))

    def kill(self, lane: int) -> None:
        """End a lane that does not answer; its death is then heard as any other."""
        self._members[lane].process.kill()

    def close(self, patience_seconds: float = 2.0) -> None:
        """Ask all lanes to end, then make them."""
        for lane, member in self._members.items():
            member.leaving = True
            if not member.dead:
                self.send(lane, Quit())
        for member in self._members.values():
            if member.dead:
                self._see_off(member)
                continue
            member.process.join(timeout=patience_seconds)
            if member.process.is_alive():
                member.process.kill()
                member.process.join(timeout=patience_seconds)
            self._see_off(member)
            member.dead = True
            member.connection.close()
        self._patience.close()

    @staticmethod
    def _see_off(member: _Member) -> None:
        """Make sure that multiprocessing knows of the end, or it waits for it when we leave."""
        if member.process.is_alive():
            end_template()  # the lane is dead, and its template does not tell: it hangs
            member.process.join(timeout=_DEATH_NOTICE_SECONDS)


def describe_exit(code: int | None) -> str:
    """An exit code in words: the signal's name where it was one."""
    if code is None:
        return "ended without an exit status"
    if code == _TEMPLATE_GONE:
        return "ended together with the template process that it was forked from"
    if code >= 0:
        return f"exit code {code}"
    try:
        name = signal.Signals(-code).name
    except ValueError:
        name = "unknown signal"
    hint = " (often: out of memory, or killed by somebody)" if -code == 9 else ""
    return f"killed by signal {-code}, {name}{hint}"


def read_tail(path: Path, size: int = _STDERR_TAIL_BYTES) -> str:
    """The last `size` bytes of a text file, empty when there is none."""
    try:
        with path.open("rb") as file:
            file.seek(0, os.SEEK_END)
            file.seek(max(file.tell() - size, 0))
            return file.read().decode("utf-8", "replace").strip()
    except OSError:
        return ""


__all__ = ["Death", "LaneTeam", "LaneTrouble", "context", "describe_exit", "read_tail"]
