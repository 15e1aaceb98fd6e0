"""Threads that read chips, and how a hung one is kept from holding up the others.

Waking a thread costs more than reading a dozen files, so chips that have proven quick take turns
in one thread. A chip the guard watches, one that is slow, and one whose source asks for it has a
thread of its own. When a chip in the common thread hangs after all, that thread is left to it and
the others go on in a fresh one.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

from harness.clock import NS_PER_SECOND, Clock
from harness.sensors.alarm import Alarm
from harness.sensors.chip_worker import ChipWorker

#: A thread asked to stop is gone after this long, unless a driver holds it.
_LONGEST_SLEEP_SECONDS = 0.5
#: A chip whose reads have all taken longer keeps a thread of its own.
_QUICK_NS = 2_000_000
#: So many reads are looked at before chips are put together.
PROVING_SWEEPS = 3
#: A chip in the common thread is put out again after this many slow reads, when these are more
#: than this share of all: its driver asks the bus only now and then.
_MOST_SLOW_READS = 5
_MOST_SLOW_SHARE = 0.02
#: A read in the common thread that takes longer than this holds up the others.
STUCK_SECONDS = 0.025


class Reader:
    """One thread and the chips that take turns in it.

    `alarm` rings while the reads of one waking take longer than `STUCK_SECONDS`; `afterwards` is
    called when they are done, since a thread that is awake does anything more cheaply.
    """

    def __init__(
        self,
        workers: Iterable[ChipWorker],
        clock: Clock,
        alarm: Alarm | None = None,
        afterwards: Callable[[], None] | None = None,
    ) -> None:
        self._workers = list(workers)
        self._clock = clock
        self._alarm = alarm
        self._afterwards = afterwards
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
        while (due_ns := self._next_due()) is not None and self._rest_until(due_ns):
            self._set_timer()
            self._read_what_is_due()
            self._clear_timer()
            if (afterwards := self._afterwards) is not None:
                afterwards()
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
        """Give up all chips but the one that is being read; they are the caller's now.

        The timer is cleared and the caller's, too: a thread left behind must not clear what
        another one set.
        """
        with self._lock:
            if self._alarm is not None:
                self._alarm.rest()
            self._alarm = self._afterwards = None
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

    def _set_timer(self) -> None:
        with self._lock:
            if self._alarm is not None:
                self._alarm.watch(STUCK_SECONDS)

    def _clear_timer(self) -> None:
        with self._lock:
            if self._alarm is not None:
                self._alarm.rest()

    def _next_due(self) -> int | None:
        """The earliest deadline; None when no chip is left."""
        return min([worker.due_ns for worker in self._workers], default=None)

    def _rest_until(self, due_ns: int) -> bool:
        """Sleep until `due_ns` (a plain sleep is the cheapest); False when to stop."""
        while not self._stopping:
            left = (due_ns - self._clock.monotonic_ns()) / NS_PER_SECOND
            if left <= 0:
                return True
            self._clock.sleep(min(left, _LONGEST_SLEEP_SECONDS))
        return False

    def _read_what_is_due(self) -> None:
        now_ns = self._clock.monotonic_ns()
        for worker in self.workers:
            if worker.due_ns <= now_ns and self._take(worker):
                now_ns = worker.turn()
                self._current = None

    def _take(self, worker: ChipWorker) -> bool:
        """Claim a chip for reading when it is still this thread's."""
        with self._lock:
            if self._stopping or worker not in self._workers:
                return False
            self._current = worker
            return True


def may_share(worker: ChipWorker) -> bool:
    """True for a chip that has answered quickly and that nothing depends on."""
    return (
        worker.sweeps >= PROVING_SWEEPS
        and worker.shortest_ns <= _QUICK_NS
        and worker.chip.shares_thread
        and not worker.is_guarded
        and not _is_slow_now_and_then(worker)
    )


def _is_slow_now_and_then(worker: ChipWorker) -> bool:
    slow = worker.slow_reads
    return slow >= _MOST_SLOW_READS and slow > _MOST_SLOW_SHARE * worker.sweeps
