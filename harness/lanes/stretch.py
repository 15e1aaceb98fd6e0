"""The hot loop of a lane: passes, each verified, until the work or the time is used up.

Nothing here allocates per pass or talks to another process except by 64-bit stores to the board.
The lane polls the stop flag between passes and stops by itself when the parent falls silent.
"""

from __future__ import annotations

import random
import time
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from harness.board import SILENCE_NS, Board, LaneSlot, LaneState, Slot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.lanes.accounting import Account, read_account
from harness.lanes.gate import Gate
from harness.lanes.messages import Run, Sabotage
from workloads.contract import Task
from workloads.faults import choose_flip

_PROGRESS_NS = 5 * NS_PER_SECOND
_SPIN_NS = 300_000
_MOST_STEPS = 4000
_MOST_TIMES = 200_000

MismatchHandler = Callable[[int, int], None]


@dataclass
class Tally:
    """What the loop counts; times are monotonic nanoseconds."""

    passes: int = 0
    verified: int = 0
    failures: int = 0
    stopped: bool = False
    started_ns: int = 0
    ended_ns: int = 0
    sabotaged: str = ""
    account: Account | None = None
    #: Nanoseconds spent in counted passes, and the durations of every `stride`-th of them.
    busy_ns: int = 0
    #: Eight bytes each, where a list of numbers would take forty: a lane's memory is its load's.
    pass_ns: array[int] = field(default_factory=lambda: array("q"))
    stride: int = 1
    next_progress_ns: int = 0
    step_starts: list[tuple[int, int]] = field(default_factory=list)
    progress: list[tuple[int, int]] = field(default_factory=list)

    def count(self, duration_ns: int) -> None:
        """Count one pass. Long soaks keep ever fewer durations, evenly over all their time."""
        self.busy_ns += duration_ns
        if self.passes % self.stride == 0:
            self.pass_ns.append(duration_ns)
            if len(self.pass_ns) >= _MOST_TIMES:
                del self.pass_ns[1::2]
                self.stride *= 2
        self.passes += 1

    @property
    def mean_seconds(self) -> float:
        """Mean duration of a pass."""
        return self.busy_ns / self.passes / NS_PER_SECOND if self.passes else 0.0

    @property
    def p10_seconds(self) -> float:
        """10th percentile of the pass durations: what the lane can do undisturbed."""
        return float(np.percentile(self.pass_ns, 10)) / NS_PER_SECOND if self.pass_ns else 0.0


class Stretch:
    """One stretch of load in one lane."""

    def __init__(
        self, order: Run, task: Task, board: Board, lane: int, on_mismatch: MismatchHandler
    ) -> None:
        self._order = order
        self._task = task
        self._board = board
        self._lane = lane
        self._on_mismatch = on_mismatch
        self._golden = order.golden
        self._tally = Tally()

    def run(self, start_ns: int) -> Tally:
        """Work from `start_ns` (monotonic) on; returns the counts."""
        tally = self._tally
        self._task.begin()
        wait_until(start_ns)
        self._mark(LaneState.WORKING)
        before = read_account()
        tally.started_ns = SYSTEM.monotonic_ns()
        tally.next_progress_ns = tally.started_ns + _PROGRESS_NS
        end_ns = None
        if self._order.seconds is not None:
            end_ns = start_ns + round(self._order.seconds * NS_PER_SECOND)
        try:
            if self._order.gate is None:
                self._work(end_ns)
            else:
                self._work_gated(self._order.gate, start_ns, end_ns)
        finally:
            self._task.finish()
        tally.ended_ns = SYSTEM.monotonic_ns()
        tally.account = read_account().since(before)
        self._board.set_lane(self._lane, LaneSlot.FINISHED, self._order.stretch)
        self._keep_up()
        self._mark(LaneState.IDLE)
        return tally

    def _keep_up(self) -> None:
        """Go on, uncounted but verified, until the other lanes of the trial are done too.

        Without this the slower lanes would do the rest of their work alone, and a sum of rates
        that were never reached together would be called joint.
        """
        others = [lane for lane in self._order.together if lane != self._lane]
        while others and not self._must_stop(SYSTEM.monotonic_ns()):
            if self._board.get(Slot.RELEASED) >= self._order.stretch:
                return
            finished = [self._board.lane(lane, LaneSlot.FINISHED) for lane in others]
            if min(finished) >= self._order.stretch:
                return
            self._task.execute()
            found = self._task.digest()
            if found == self._golden:
                self._beat(SYSTEM.monotonic_ns())
            else:
                self._handle_mismatch(found, SYSTEM.monotonic_ns())

    def _work_gated(self, gate: Gate, start_ns: int, end_ns: int | None) -> None:
        for number, window in enumerate(gate.windows()):
            if self._over(end_ns):
                return
            on_ns, off_ns = start_ns + window.on_ns, start_ns + window.off_ns
            now = SYSTEM.monotonic_ns()
            if now >= off_ns:  # missed as a whole: held up, its next step is on time again
                if self._must_stop(now):
                    return
                self._board.set_lane(self._lane, LaneSlot.HEARTBEAT_NS, now)
                continue
            if end_ns is not None and on_ns >= end_ns:
                self._pause_until(end_ns)
                return
            if not self._pause_until(on_ns):
                return
            if len(self._tally.step_starts) < _MOST_STEPS:
                self._tally.step_starts.append((number, SYSTEM.monotonic_ns()))
            self._mark(LaneState.WORKING)
            self._work(off_ns if end_ns is None else min(off_ns, end_ns))

    def _pause_until(self, deadline_ns: int) -> bool:
        """Idle until the deadline, looking at the stop flag; False when the load must end."""
        self._mark(LaneState.PAUSED)
        while True:
            now = SYSTEM.monotonic_ns()
            if self._must_stop(now):
                return False
            if deadline_ns - now <= 50_000_000:
                wait_until(deadline_ns)
                return True
            time.sleep(0.04)
            self._board.set_lane(self._lane, LaneSlot.HEARTBEAT_NS, now)

    def _over(self, end_ns: int | None) -> bool:
        now = SYSTEM.monotonic_ns()
        passes = self._order.passes
        done = passes is not None and self._tally.passes >= passes
        return done or self._tally.stopped or (end_ns is not None and now >= end_ns)

    def _work(self, end_ns: int | None) -> None:
        task, tally, golden = self._task, self._tally, self._golden
        passes = self._order.passes
        clock = SYSTEM.monotonic_ns
        before = clock()
        while passes is None or tally.passes < passes:
            self._execute()
            if not task.began:
                return  # the other end of a pair had left: this pass never was
            found = task.digest()
            now = clock()
            tally.count(now - before)
            before = now
            if found == golden:
                tally.verified += 1
                self._beat(now)
            else:
                before = self._handle_mismatch(found, now)
            if now >= tally.next_progress_ns:
                tally.progress.append((now, tally.passes))
                tally.next_progress_ns += _PROGRESS_NS
            if self._must_stop(now) or (end_ns is not None and now >= end_ns):
                return

    def _handle_mismatch(self, found: int, now: int) -> int:
        tally = self._tally
        tally.failures += 1
        self._board.set_lane(self._lane, LaneSlot.FAILURES, self._failures_total() + 1)
        self._board.set_lane(self._lane, LaneSlot.HEARTBEAT_NS, now)
        self._on_mismatch(tally.passes - 1, found)
        tally.stopped = tally.stopped or self._order.stop_on_failure
        return SYSTEM.monotonic_ns()

    def _failures_total(self) -> int:
        return self._board.lane(self._lane, LaneSlot.FAILURES)

    def _beat(self, now: int) -> None:
        board, lane = self._board, self._lane
        board.set_lane(lane, LaneSlot.HEARTBEAT_NS, now)
        board.set_lane(lane, LaneSlot.LAST_VERIFIED_NS, now)
        board.set_lane(lane, LaneSlot.VERIFIED, board.lane(lane, LaneSlot.VERIFIED) + 1)
        board.set_lane(lane, LaneSlot.PASSES, self._tally.passes)

    def _must_stop(self, now: int) -> bool:
        if self._tally.stopped:
            return True
        if self._board.get(Slot.STOP) == StopReason.NONE:
            if now - self._board.get(Slot.PARENT_NS) < SILENCE_NS:
                return False
            self._board.trip(StopReason.SILENT_PARENT, now)
        self._board.set_lane(self._lane, LaneSlot.OFF_NS, now)
        self._tally.stopped = True
        return True

    def _mark(self, state: LaneState) -> None:
        self._board.set_lane(self._lane, LaneSlot.STATE, state)
        self._board.set_lane(self._lane, LaneSlot.HEARTBEAT_NS, SYSTEM.monotonic_ns())

    def _execute(self) -> None:
        """One pass; in the pass that shall be spoilt, a bit is flipped at the right moment."""
        sabotage = self._order.sabotage
        if sabotage is None or sabotage.at_pass != self._tally.passes:
            self._task.execute()
        elif sabotage.role == "intermediate":
            self._execute_spoilt_between(sabotage)
        else:
            if sabotage.role == "input":
                self._flip(sabotage)
            self._task.execute()
            if sabotage.role == "result":
                self._flip(sabotage)

    def _execute_spoilt_between(self, sabotage: Sabotage) -> None:
        """The pass in its steps, with a flip after the first (before it where there is one)."""
        first, *rest = self._task.stages()
        if not rest:
            self._flip(sabotage)
        first()
        if rest:
            self._flip(sabotage)
        for step in rest:
            step()

    def _flip(self, sabotage: Sabotage) -> None:
        rng = random.Random(sabotage.seed)  # noqa: S311 - a place to flip, not a secret
        flip = choose_flip(self._task, rng, sabotage.role, sabotage.kind)
        flip.apply(self._task)
        self._tally.sabotaged = f"bit {flip.bit} of byte {flip.byte} in {flip.buffer}"


def wait_until(deadline_ns: int) -> None:
    """Sleep until shortly before the deadline, then spin: late by microseconds, not by ticks."""
    while True:
        left = deadline_ns - SYSTEM.monotonic_ns()
        if left <= 0:
            return
        if left > _SPIN_NS:
            time.sleep((left - _SPIN_NS) / NS_PER_SECOND)
