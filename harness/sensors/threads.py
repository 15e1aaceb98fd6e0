"""Which chips share a thread: arranged anew while the sampler runs.

Each chip begins in a thread of its own. Those that prove quick are put together in the common one;
one that turns slow leaves it, and when one hangs there the others go on in a fresh one. The rules
are :mod:`harness.sensors.reader`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from harness.clock import NS_PER_SECOND, Clock
from harness.sensors.alarm import Alarm
from harness.sensors.chip_worker import ChipWorker, Schedule
from harness.sensors.reader import PROVING_SWEEPS, Reader, may_share

#: Chips that were taken apart on a busy machine come together again.
_GATHER_NS = 30 * NS_PER_SECOND


class ChipThreads:
    """The threads of all chips. `in_passing` is called by the common one after its reads.

    It is called only where there is an `alarm`, since without one the loop looks for itself.
    """

    def __init__(
        self,
        workers: Sequence[ChipWorker],
        clock: Clock,
        alarm: Alarm | None,
        in_passing: Callable[[], None],
    ) -> None:
        self._workers = workers
        self._clock = clock
        self._alarm = alarm
        self._in_passing = in_passing
        #: Where the common deadlines begin, by the monotonic clock.
        self.began_ns = clock.monotonic_ns()
        self.readers: list[Reader] = []
        self._common: Reader | None = None
        self._gather_ns = 0

    @property
    def are_shared(self) -> bool:
        """True once chips have been put together."""
        return self._common is not None

    def begin(self) -> None:
        """Start a thread for each chip."""
        self.readers = [Reader([worker], self._clock) for worker in self._workers]
        for reader in self.readers:
            reader.start()

    def stop(self, seconds: float) -> None:
        """Close all chips. Threads that a driver holds for longer are left behind."""
        for reader in self.readers:
            reader.ask_to_stop()
        deadline_ns = self._clock.monotonic_ns() + round(seconds * NS_PER_SECOND)
        for reader in self.readers:
            reader.join(max((deadline_ns - self._clock.monotonic_ns()) / NS_PER_SECOND, 0.0))

    def look_after_common(self, now_ns: int) -> None:
        """When a chip hangs in the common thread, the others go on in a fresh one."""
        common = self._common
        if common is not None and common.is_stuck(now_ns):
            self._common = self._start_common(common.release())

    def arrange(self, now_ns: int) -> None:
        """Chips that have proven quick share a thread; a slow one leaves it."""
        # First, so that a slow one keeps nobody from being gathered with the others.
        if self._common is not None:
            for worker in self._common.put_out():
                self._start(Reader([worker], self._clock))
        proven = all(it.sweeps >= PROVING_SWEEPS for it in self._workers)
        if now_ns >= self._gather_ns and proven:
            self._gather_ns = now_ns + _GATHER_NS
            self._gather()

    def _gather(self) -> None:
        """Put the quick chips that are not together into one thread.

        The common thread gives its chips up to the new one, whatever it is doing: there is never
        a second thread with several chips that nobody looks after.
        """
        self.readers = [reader for reader in self.readers if reader.workers]
        others = [reader for reader in self.readers if reader is not self._common]
        quick = [it for it in others if all(may_share(worker) for worker in it.workers)]
        common = [] if self._common is None or not self._common.workers else [self._common]
        if not quick or len(quick) + len(common) < 2:
            return
        given = [worker for reader in (*common, *quick) for worker in reader.release()]
        for worker in given:
            worker.move_to(Schedule(self.began_ns, worker.schedule.interval_ns))
        self._common = self._start_common(given)

    def _start_common(self, workers: list[ChipWorker]) -> Reader:
        if self._alarm is None:
            return self._start(Reader(workers, self._clock))
        return self._start(Reader(workers, self._clock, self._alarm, self._in_passing))

    def _start(self, reader: Reader) -> Reader:
        self.readers.append(reader)
        reader.start()
        return reader
