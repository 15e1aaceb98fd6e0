"""What waits for the writer of a record: items with their promises, sweeps of readings."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field

from harness.errors import RigproofError
from harness.record.store import Item
from harness.results import SoakData, TrialData
from harness.sweeps import PackedSweep


class Ticket:
    """The promise that one item will be on disk."""

    def __init__(self) -> None:
        self._done = threading.Event()
        self._error: RigproofError | None = None

    def wait(self, timeout_seconds: float | None = None) -> bool:
        """True once the item is on disk, False when `timeout_seconds` passed before.

        Raises StorageError when it can never be there, RecordError when the item itself is at
        fault (a trial number that the record already holds).
        """
        done = self._done.wait(timeout_seconds)
        if self._error is not None:
            raise self._error
        return done

    def settle(self, error: RigproofError | None = None) -> None:
        """Keep the promise, or say why it is broken (the writer only); the first answer stays."""
        if not self._done.is_set():
            self._error = error
            self._done.set()


@dataclass(frozen=True)
class Pending:
    """One item in the queue."""

    item: Item | None  # None: only asks for everything before it to be written
    ticket: Ticket
    since_ns: int


@dataclass
class Work:
    """What waits to be written, and what one turn of the writer takes of it."""

    pending: list[Pending] = field(default_factory=list)
    sweeps: list[PackedSweep] = field(default_factory=list)
    samples: int = 0  # in all these sweeps
    dropped: int = 0
    stop: bool = False

    @property
    def empty(self) -> bool:
        """True when there is nothing to do."""
        return not (self.pending or self.samples or self.dropped)

    @property
    def ends_a_trial(self) -> bool:
        """True when the results of a stretch of load are among the items."""
        return any(isinstance(entry.item, (TrialData, SoakData)) for entry in self.pending)

    def add(self, sweeps: Sequence[PackedSweep], most_samples: int) -> int:
        """Take whole sweeps as long as there is room; the samples that found none."""
        lost = 0
        for sweep in sweeps:
            count = len(sweep.channels)
            if self.samples + count > most_samples:
                lost += count
            else:
                self.sweeps.append(sweep)
                self.samples += count
        return lost

    def set_samples_aside(self) -> Work:
        """Part with the samples, which go on waiting for their block: a queue with them alone."""
        rest = Work(sweeps=self.sweeps, samples=self.samples, dropped=self.dropped)
        self.sweeps, self.samples, self.dropped = [], 0, 0
        return rest
