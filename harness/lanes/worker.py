"""A lane: one process pinned to one logical CPU, doing what the parent orders.

Runs in a process of its own (forked from the warmed template where the system can). Its stderr
goes to a file whose tail the record keeps when the lane dies; a crash of native code leaves its
stack there (faulthandler). The lane ends with its parent: by the kernel's parent-death signal
where there is one, and by a watching thread everywhere.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING

from harness.board import Board, LaneSlot, LaneState, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.errors import BrokenEnvironment
from harness.lanes import messages as m
from harness.lanes.accounting import Account
from harness.parent_death import ask_for_death_signal, leave_signals_to_parent
from harness.results import LaneTrial

if TYPE_CHECKING:
    from harness.lanes.stretch import Tally
    from workloads.contract import Task, Workload

#: Diagnosing costs passes; after this many wrong results in a stretch they are only counted.
_MOST_DIAGNOSED = 3


@dataclass(frozen=True)
class LaneSetup:
    """What a lane needs to begin; picklable."""

    lane: int
    cpu: int | None
    board_path: str
    stderr_path: str
    started_ns: int


@dataclass
class Prepared:
    """A built task and what is known of it."""

    workload: Workload
    task: Task
    inputs_digest: int
    work_per_pass: float


def lane_main(setup: LaneSetup, connection: Connection) -> None:
    """Entry of the process."""
    _redirect_stderr(Path(setup.stderr_path))
    leave_signals_to_parent()
    die_with_parent()
    cpu = _pin(setup.cpu)
    board = Board.open(Path(setup.board_path))
    lane = Lane(setup.lane, cpu, board, connection)
    ready = (SYSTEM.monotonic_ns() - setup.started_ns) / NS_PER_SECOND
    connection.send(m.LaneUp(setup.lane, os.getpid(), cpu, ready))
    with contextlib.suppress(EOFError, OSError):
        lane.serve()
    board.set_lane(setup.lane, LaneSlot.STATE, LaneState.GONE)


def die_with_parent() -> None:
    """End when the parent does; the thread works everywhere, the signal even while it is stuck."""
    import multiprocessing

    ask_for_death_signal()
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(3)

    threading.Thread(target=watch, name="parent-watch", daemon=True).start()


def _redirect_stderr(path: Path) -> None:
    import faulthandler

    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(descriptor, 2)
    os.close(descriptor)
    sys.stderr = os.fdopen(2, "w", buffering=1, encoding="utf-8", errors="backslashreplace")
    faulthandler.enable(sys.stderr)


def _pin(cpu: int | None) -> int | None:
    if cpu is None:
        return None
    import psutil

    try:
        psutil.Process().cpu_affinity([cpu])
    except (AttributeError, OSError, ValueError):
        return None  # macOS cannot pin; the record then says that the lane is not pinned
    return cpu


def failed_invariants(task: Task) -> tuple[str, ...]:
    """What the checks that need no golden have to say against the last pass."""
    return tuple(f"{item.name}: {item.detail}" for item in task.invariants() if not item.ok)


def wants_more(order: m.Probe, times: Sequence[float], *, stopped: bool) -> bool:
    """Whether a probe needs another pass after those of `times` (seconds)."""
    if order.exact or not times:
        return len(times) < order.passes
    if stopped:
        return False
    taken = sum(times)
    if taken >= order.enough_seconds:
        return False
    return len(times) < order.passes or taken < order.seconds


def flippable(task: Task) -> tuple[tuple[str, str], ...]:
    """The (role, kind) of bits that a task's buffers have."""
    from workloads.faults import ROLES, kinds

    return tuple((role, kind) for role in ROLES for kind in kinds(task, role))


class Lane:
    """Carries out orders, one at a time."""

    def __init__(self, lane: int, cpu: int | None, board: Board, connection: Connection) -> None:
        self._lane = lane
        self._cpu = cpu
        self._board = board
        self._connection = connection
        self._tasks: dict[int, Prepared] = {}
        #: An order that came where `Go` was expected: the stretch was called off.
        self._deferred: m.Order | None = None
        board.set_lane(lane, LaneSlot.PID, os.getpid())
        board.set_lane(lane, LaneSlot.CPU, -1 if cpu is None else cpu)
        self._state(LaneState.IDLE)

    def serve(self) -> None:
        """Take orders until `Quit` or the end of the connection."""
        perform: dict[type, Callable[..., None]] = {
            m.Prepare: self._prepare,
            m.Probe: self._probe,
            m.Run: self._run,
            m.Recheck: self._recheck,
            m.Drop: self._drop,
        }
        while True:
            order = self._next_order()
            if isinstance(order, m.Quit):
                break
            if type(order) in perform:
                with self._reporting(order):
                    perform[type(order)](order)
        for load in list(self._tasks):
            self._drop(m.Drop(load))

    def _next_order(self) -> m.Order:
        if self._deferred is not None:
            order, self._deferred = self._deferred, None
            return order
        received: m.Order = self._connection.recv()
        return received

    @contextlib.contextmanager
    def _reporting(self, order: m.Order) -> Iterator[None]:
        try:
            yield
        except (MemoryError, Exception) as error:  # noqa: BLE001 - told to the parent, with traceback
            load, stretch = getattr(order, "load", None), getattr(order, "stretch", None)
            summary = f"{type(error).__name__}: {error}"
            text = traceback.format_exc()
            self._connection.send(m.LaneTrouble(self._lane, load, stretch, text, summary))
            self._state(LaneState.IDLE)

    def _prepare(self, order: m.Prepare) -> None:
        from workloads.registry import load as load_workload

        self._state(LaneState.PREPARING)
        started = SYSTEM.monotonic_ns()
        self._drop(m.Drop(order.load))
        workload = load_workload(order.workload)
        task = self._build(workload, order)
        self._tasks[order.load] = Prepared(workload, task, task.inputs_digest(), task.work_per_pass)
        seconds = (SYSTEM.monotonic_ns() - started) / NS_PER_SECOND
        path = workload.code_path(order.parameters)
        longest = workload.longest_pass_seconds(order.parameters, task.work_per_pass)
        limit = workload.pass_limit_seconds(order.parameters)
        self._connection.send(
            m.Prepared(self._lane, order.load, task.work_per_pass, path, seconds, longest, limit)
        )
        self._state(LaneState.IDLE)

    def _build(self, workload: Workload, order: m.Prepare) -> Task:
        if order.pairing is None:
            return workload.prepare(order.parameters, order.seed)
        import numpy as np

        from workloads.contract import PairContext, PairedWorkload

        if not isinstance(workload, PairedWorkload):
            raise TypeError(f"{workload.name} is not a paired workload; use another pattern")
        words = np.frombuffer(self._board.pair_area(order.pairing.area), dtype=np.uint64)
        pair = PairContext(words, order.pairing.end, order.pairing.peers)
        return workload.prepare_pair(order.parameters, order.seed, pair)

    def _probe(self, order: m.Probe) -> None:
        task = self._tasks[order.load].task
        self._state(LaneState.WORKING)
        times: list[float] = []
        digests: list[int] = []
        while wants_more(order, times, stopped=self._board.stop is not StopReason.NONE):
            before = SYSTEM.monotonic_ns()
            task.execute()
            digests.append(task.digest())
            now = SYSTEM.monotonic_ns()
            times.append((now - before) / NS_PER_SECOND)
            self._board.set_lane(self._lane, LaneSlot.HEARTBEAT_NS, now)
        self._note_stop()
        doubts = failed_invariants(task)
        found = flippable(task)
        self._connection.send(
            m.Probed(self._lane, order.load, tuple(times), tuple(digests), doubts, found)
        )
        self._state(LaneState.IDLE)

    def _note_stop(self) -> None:
        """Say when a pass outside a stretch was over during which the stop flag went up."""
        board, lane = self._board, self._lane
        if board.stop is not StopReason.NONE and not board.lane(lane, LaneSlot.OFF_NS):
            board.set_lane(lane, LaneSlot.OFF_NS, SYSTEM.monotonic_ns())

    def _run(self, order: m.Run) -> None:
        from harness.lanes.stretch import Stretch

        prepared = self._tasks[order.load]
        clock_hz, no_clock = self._get_ready(order, prepared)
        go = self._go_for(order, no_clock)
        if go is None:
            return
        together = tuple(lane for lane in order.together if lane not in go.absent)
        order = replace(order, together=together)
        diagnosed: list[m.Mismatch] = []

        def on_mismatch(number: int, found: int) -> None:
            if len(diagnosed) < _MOST_DIAGNOSED:
                diagnosed.append(self._diagnose(order, prepared, number, found))
                self._connection.send(diagnosed[-1])

        stretch = Stretch(order, prepared.task, self._board, self._lane, on_mismatch)
        tally = stretch.run(go.start_ns)
        self._connection.send(self._done(order, prepared, tally, clock_hz))

    def _get_ready(self, order: m.Run, prepared: Prepared) -> tuple[float | None, str]:
        """Warm up; the core's clock, or None and why it could not be measured."""
        self._state(LaneState.PREPARING)
        self._board.set_lane(self._lane, LaneSlot.LOAD, order.load)
        if order.gate is None and not prepared.workload.paired:
            prepared.task.execute()  # the first pass after a change of load is 0 to 5 % slow
            self._note_stop()
        return self._measure_clock()

    def _go_for(self, order: m.Run, no_clock: str) -> m.Go | None:
        """Say that this lane is ready and wait for the start; None when it is called off."""
        self._state(LaneState.READY)
        self._connection.send(m.Ready(self._lane, order.stretch, no_clock))
        go = self._connection.recv()
        if not isinstance(go, m.Go) or go.stretch != order.stretch:
            self._deferred = go
            self._state(LaneState.IDLE)
            return None
        return go

    def _diagnose(self, order: m.Run, prepared: Prepared, number: int, found: int) -> m.Mismatch:
        from harness.lanes.diagnosis import diagnose

        at_ns = SYSTEM.monotonic_ns()
        golden = order.golden or 0
        alone = not prepared.workload.paired
        inputs = prepared.inputs_digest
        diagnosis = diagnose(prepared.task, golden, found, inputs, alone=alone)
        return m.Mismatch(
            self._lane, order.load, order.stretch, number, at_ns, diagnosis.detail, diagnosis.kind
        )

    def _measure_clock(self) -> tuple[float | None, str]:
        """The clock in hertz, or None and why it could not be measured: the load needs no clock."""
        from harness.sensors.clock_probe import measure_clock_hz

        try:
            clock_hz = measure_clock_hz()
        except BrokenEnvironment as error:
            return None, str(error)
        if clock_hz is not None:
            self._board.set_lane(self._lane, LaneSlot.CLOCK_HZ, round(clock_hz))
        return clock_hz, ""

    def _done(
        self,
        order: m.Run,
        prepared: Prepared,
        tally: Tally,
        clock_hz: float | None,
    ) -> m.Done:
        account = tally.account or Account(None, None, None)
        delay = account.run_delay_ns
        result = LaneTrial(
            lane=self._lane,
            cpu=self._cpu,
            passes=tally.passes,
            work=tally.passes * prepared.work_per_pass,
            seconds=(tally.ended_ns - tally.started_ns) / NS_PER_SECOND,
            pass_mean_seconds=tally.mean_seconds,
            pass_p10_seconds=tally.p10_seconds,
            verified=tally.verified,
            run_delay_seconds=None if delay is None else delay / NS_PER_SECOND,
            involuntary_switches=account.involuntary_switches,
            major_faults=account.major_faults,
            clock_hz=clock_hz,
            readings=dict(prepared.task.readings),
        )
        return m.Done(
            self._lane,
            order.stretch,
            order.load,
            result,
            tally.started_ns,
            tally.ended_ns,
            tally.failures,
            tally.stopped,
            failed_invariants(prepared.task),
            tally.sabotaged,
            tuple(tally.step_starts),
            tuple(tally.progress),
        )

    def _recheck(self, order: m.Recheck) -> None:
        task = self._tasks[order.load].task
        task.execute()
        digest = task.digest()
        self._note_stop()
        self._connection.send(m.Rechecked(self._lane, order.load, order.failure, digest))

    def _drop(self, order: m.Drop) -> None:
        prepared = self._tasks.pop(order.load, None)
        if prepared is not None:
            prepared.task.close()

    def _state(self, state: LaneState) -> None:
        self._board.set_lane(self._lane, LaneSlot.STATE, state)
        self._board.set_lane(self._lane, LaneSlot.HEARTBEAT_NS, SYSTEM.monotonic_ns())
