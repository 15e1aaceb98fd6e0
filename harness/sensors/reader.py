"""Threads that read chips, and how a hung one is kept from holding up the others.

Waking a thread costs more than reading a dozen files, so chips that have proven quick take turns
in one thread. A chip the guard watches, one that is slow, and one whose source asks for it has a
thread of its own. When a chip in the common thread hangs after all, that thread is left to it and
the others go on in a fresh one.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable

from harness.clock import NS_PER_SECOND, Clock
from harness.sensors.chip_worker import ChipWorker

#: A thread asked to stop is gone after this long, unless a driver holds it.
_LONGEST_SLEEP_SECONDS = 0.5
#: A chip whose reads have all taken longer keeps a thread of its own.
_QUICK_SECONDS = 0.002
#: So many reads are looked at before chips are put together.
PROVING_SWEEPS = 3
#: A chip in the common thread is put out again after this many slow reads, when these are more
#: than this share of all: its driver asks the bus only now and then.
_MOST_SLOW_READS = 5
_MOST_SLOW_SHARE = 0.02
#: A read in the common thread that takes longer than this holds up the others.
STUCK_SECONDS = 0.025


class Reader:
    """One thread and the chips that take turns in it."""

    def __init__(self, workers: Iterable[ChipWorker], clock: Clock) -> None:
        self._workers = list(workers)
        self._clock = clock
        self._lock = threading.Lock()
        self._current: ChipWorker | None = None
        self._stopping = False
        names = ", ".join(worker.chip.name for worker in self._workers)
        self._thread = threading.Thread(target=self.run, name=names[:80], daemon=True)

    @property
    def workers(self) -> tuple[ChipWorker, ...]:
        """The chips this thread reads."""
        return tuple(self._workers)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Make the thread close its chips and end, after the read that is under way."""
        self._stopping = True

    def join(self, seconds: float) -> bool:
        """Wait for the thread's end; False when a driver holds it."""
        if self._thread.is_alive():
            self._thread.join(seconds)
        return not self._thread.is_alive()

    def run(self) -> None:
        """Read each chip at its deadlines. Ends when asked to, or when no chip is left."""
        while self._workers and self._rest():
            for worker in self.workers:
                if self._take(worker):
                    worker.turn()
                    self._current = None
        if self._stopping:
            for worker in self._workers:
                worker.chip.close()

    def is_stuck(self, now_ns: int) -> bool:
        """True when one chip has kept the others waiting for too long."""
        current = self._current
        since_ns = None if current is None else current.busy_since_ns
        if since_ns is None or len(self._workers) < 2:
            return False
        return now_ns - since_ns > STUCK_SECONDS * NS_PER_SECOND

    def release(self) -> list[ChipWorker]:
        """Give up all chips but the one that is being read; they are the caller's now."""
        with self._lock:
            kept = [] if self._current is None else [self._current]
            given = [worker for worker in self._workers if worker not in kept]
            self._workers = kept
            return given

    def put_out(self) -> list[ChipWorker]:
        """Give up the chips that must no longer share this thread."""
        with self._lock:
            given = [it for it in self._workers if not may_share(it) and it is not self._current]
            self._workers = [it for it in self._workers if it not in given]
            return given

    def _rest(self) -> bool:
        """Sleep until the next deadline (a plain sleep is the cheapest); False when to stop."""
        while not self._stopping:
            due_ns = min((worker.due_ns for worker in self.workers), default=None)
            if due_ns is None:
                return False
            left = (due_ns - self._clock.monotonic_ns()) / NS_PER_SECOND
            if left <= 0:
                return True
            self._clock.sleep(min(left, _LONGEST_SLEEP_SECONDS))
        return False

    def _take(self, worker: ChipWorker) -> bool:
        """Claim a chip for reading when it is due and still this thread's."""
        with self._lock:
            due = worker.due_ns <= self._clock.monotonic_ns()
            if self._stopping or not due or worker not in self._workers:
                return False
            self._current = worker
            return True


def may_share(worker: ChipWorker) -> bool:
    """True for a chip that has answered quickly and that nothing depends on."""
    return (
        worker.sweeps >= PROVING_SWEEPS
        and worker.shortest_seconds <= _QUICK_SECONDS
        and worker.chip.shares_thread
        and not worker.is_guarded
        and not _is_slow_now_and_then(worker)
    )


def _is_slow_now_and_then(worker: ChipWorker) -> bool:
    slow = worker.slow_reads
    return slow >= _MOST_SLOW_READS and slow > _MOST_SLOW_SHARE * worker.sweeps
