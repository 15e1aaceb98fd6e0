"""The one writer of a run's record: a thread of its own behind a bounded queue.

Nobody who measures ever waits for the disk. Trials, events and failures are committed as soon as
the thread wakes; samples are collected for a second and committed as one packed block, so that a
crash costs at most that second. What the bounded queue cannot hold is counted, and said as an
event.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from harness.clock import NS_PER_SECOND, Clock, iso_utc
from harness.errors import RecordError, StorageError, StorageFull
from harness.outcome import Ending
from harness.record.database import RECORD_NAME
from harness.record.files import fsync_folder, sha256_of
from harness.record.header import RunHeader
from harness.record.lastwords import LastWords, forget_last_words, leave_last_words
from harness.record.lock import CLOSING_NAME, MachineLock
from harness.record.owner import Owner
from harness.record.reserve import hold_reserve, release_reserve
from harness.record.store import Item, Part, PartEnd, RecordStore, Stamp
from harness.record.sums import SUMS_NAME, write_sums
from harness.record.waiting import Pending, Ticket, Work
from harness.results import Boot, Event, EventKind, SoakData, TrialData
from harness.sweeps import PackedSweep

#: Samples wait at most so long for their block; the commit itself takes the rest of the second.
BLOCK_SECONDS = 0.9
#: The log is moved into the file after each trial, and at least this often.
CHECKPOINT_SECONDS = 10.0
MOST_PENDING_SAMPLES = 100_000
MOST_PENDING_ITEMS = 10_000

#: Each waking costs time beside a load, so the heart beats no oftener than blocks are due.
_BEAT_SECONDS = BLOCK_SECONDS
_JOIN_SECONDS = 60.0
_SEAL_TRIES = 100
_SEAL_PAUSE_SECONDS = 0.1

Heartbeat = Callable[[int], None]


class RecordWriter:
    """Takes what a run measures and puts it on disk. Make one with `create` or `reopen`."""

    def __init__(
        self,
        store: RecordStore,
        clock: Clock,
        *,
        offset_seconds: float,
        boot: Boot,
        heartbeat: Heartbeat | None,
    ) -> None:
        self.path = store.path
        self.folder = store.path.parent
        self.run_id = store.run_id()
        self.boot = boot
        #: Monotonic nanoseconds at zero of the run's axis: the same for every process of a boot.
        self.origin_ns = clock.monotonic_ns() - round(offset_seconds * NS_PER_SECOND)
        #: Samples that found the queue full, over the whole part.
        self.dropped = 0
        #: Those of them of which an event in the record tells.
        self._told_dropped = 0
        self._store = store
        self._clock = clock
        self._heartbeat = heartbeat
        self._wake = threading.Condition()
        self._queue = Work()
        self._error: StorageError | None = None
        self._stopped = False
        self._in_work_since_ns: int | None = None
        self._last_safe_write_ns = clock.monotonic_ns()
        self._last_block_ns = self._last_checkpoint_ns = self._last_safe_write_ns
        self._thread = threading.Thread(target=self._run, name="record writer", daemon=True)
        self._thread.start()

    @classmethod
    def create(
        cls, folder: Path, header: RunHeader, clock: Clock, *, heartbeat: Heartbeat | None = None
    ) -> RecordWriter:
        """Make the run's folder and its record, and start the thread.

        `heartbeat` is called with the monotonic clock from the thread, at least once a second
        while it lives. Raises StorageError when the folder holds a record or cannot be written.
        """
        make_folder(folder)
        if (folder / RECORD_NAME).exists():
            raise StorageError(f"{folder}: it holds a record already: a run needs a new folder")
        started = iso_utc(header.created_wall_ns)
        boot = Boot(1, header.boot_id, started, 0.0, header.cold)
        begun = Event(EventKind.RUN_STARTED, 0.0, f"profile {header.profile_name}")
        items: list[Item] = [header, boot, Part(1, 0.0, header.owner), begun]
        try:
            hold_reserve(folder)
            store = RecordStore.create(folder, items, Stamp(0.0, header.created_wall_ns))
        except BaseException:
            release_reserve(folder)
            with suppress(OSError):
                folder.rmdir()  # it would look like a damaged run
            raise
        return cls(store, clock, offset_seconds=0.0, boot=boot, heartbeat=heartbeat)

    @classmethod
    def reopen(
        cls,
        folder: Path,
        boot: Boot,
        owner: Owner,
        clock: Clock,
        *,
        heartbeat: Heartbeat | None = None,
    ) -> RecordWriter:
        """Carry on a record in a new part.

        The run's axis goes on where the last commit was, without a gap. `boot` gives boot id,
        start and coldness; its number and offset are found here, and a boot that the record knows
        already goes on. Raises RecordError for a record that cannot be added to,
        RefusedStart when another command works on it.
        """
        path = folder / RECORD_NAME
        with MachineLock.acquire(owner, folder.name, clock, folder=folder, name=CLOSING_NAME):
            store = RecordStore.open(path)
            try:
                told, offset_seconds = _begin_part(store, boot, owner, clock)
            except BaseException:
                store.close()
                raise
        return cls(store, clock, offset_seconds=offset_seconds, boot=told, heartbeat=heartbeat)

    def now_seconds(self) -> float:
        """Now on the run's axis."""
        return (self._clock.monotonic_ns() - self.origin_ns) / NS_PER_SECOND

    @property
    def error(self) -> StorageError | None:
        """Why nothing more can be written, or None."""
        return self._error

    @property
    def last_safe_write_ns(self) -> int:
        """Monotonic nanoseconds of the last acknowledged commit."""
        return self._last_safe_write_ns

    @property
    def lag_seconds(self) -> float:
        """How long the oldest item that is not yet on disk has been waiting; 0 when none is."""
        with self._wake:
            oldest = [entry.since_ns for entry in self._queue.pending[:1]]
            if self._in_work_since_ns is not None:
                oldest.append(self._in_work_since_ns)
        return max((self._clock.monotonic_ns() - min(oldest)) / NS_PER_SECOND, 0) if oldest else 0.0

    def put(self, item: Item | str) -> Ticket:
        """Hand over one item; a plain text is a note. Never waits.

        Raises StorageError for a trial or soak when the record can no longer be written; for
        anything else the ticket says so.
        """
        if isinstance(item, str):
            item = Event(EventKind.NOTE, self.now_seconds(), item)
        return self._put(item)

    def put_sweeps(self, sweeps: Sequence[PackedSweep]) -> None:
        """Hand over readings. Never waits and never raises; what finds no room is counted."""
        with self._wake:
            lost = self._queue.add(sweeps, MOST_PENDING_SAMPLES if self._error is None else 0)
            self.dropped += lost
            if self._error is None:
                self._queue.dropped += lost

    def flush(self, timeout_seconds: float = 10.0) -> bool:
        """Write everything handed over so far, samples too; False when it took too long."""
        return self._put(None).wait(timeout_seconds)

    def seal(self, ending: Ending, text: str) -> str:
        """End this part: end event, log moved into the file, one file alone, its digest.

        Returns the SHA-256 of the record. Raises StorageError when the end could not be written;
        what was acknowledged before stays readable, and the reason is left for whoever closes it.
        """
        try:
            return self._seal(ending, text)
        except StorageError as error:
            full = isinstance(error, StorageFull)
            leave_last_words(self.folder.name, LastWords(str(error), full))
            raise

    def _seal(self, ending: Ending, text: str) -> str:
        self._stop_thread()
        if self._error is not None and not isinstance(self._error, StorageFull):
            self._store.close()
            raise self._error
        try:
            self._commit_end(ending, text)
            seal_store(self._store, self._clock)
        finally:
            self._store.close()
        return finish_folder(self.folder)

    def abandon(self) -> None:
        """Stop the thread and close the file without an end event, as a crash would."""
        self._stop_thread()
        self._store.close()

    def _put(self, item: Item | None) -> Ticket:
        ticket = Ticket()
        refused = self._error
        with self._wake:
            if self._stopped:
                refused = refused or StorageError(f"{self.path}: the record is closed already")
            elif len(self._queue.pending) >= MOST_PENDING_ITEMS:
                refused = StorageError(
                    f"{self.path}: {MOST_PENDING_ITEMS} items wait to be written: "
                    "the storage hangs, check the disk"
                )
            if refused is None or self._may_still_try(refused, item):
                since_ns = self._clock.monotonic_ns()
                self._queue.pending.append(Pending(item, ticket, since_ns))
                self._wake.notify()
                return ticket
        if isinstance(item, (TrialData, SoakData)):
            raise refused
        ticket.settle(refused)
        return ticket

    def _may_still_try(self, refused: StorageError, item: Item | None) -> bool:
        # A full disk gave its reserve back, which is enough for the last few words.
        words = not isinstance(item, (TrialData, SoakData))
        return words and isinstance(refused, StorageFull) and not self._stopped

    def _stop_thread(self) -> None:
        with self._wake:
            self._stopped = self._queue.stop = True
            self._wake.notify()
        self._thread.join(_JOIN_SECONDS)
        if self._thread.is_alive():
            raise StorageError(f"{self.path}: the storage has not answered for {_JOIN_SECONDS:g} s")

    def _run(self) -> None:
        work = Work()
        try:
            while not work.stop:
                work = self._next_work()
                if self._heartbeat is not None:
                    self._heartbeat(self._clock.monotonic_ns())
                if not work.empty:
                    self._write(work)
        except BaseException as error:
            # A bug: nobody may wait for ever, and the traceback must reach the log.
            self._give_up(work, StorageError(f"{self.path}: the writer broke: {error!r}"))
            self._give_up(self._close_queue(), StorageError(f"{self.path}: the writer broke"))
            raise

    def _close_queue(self) -> Work:
        with self._wake:
            self._stopped = True
            queue, self._queue = self._queue, Work()
        return queue

    def _next_work(self) -> Work:
        with self._wake:
            if not (self._queue.pending or self._queue.stop):
                self._wake.wait(self._idle_seconds())
            queue, self._queue = self._queue, Work()
            asked = queue.stop or any(entry.item is None for entry in queue.pending)
            if not asked and self._seconds_to_block() > 0:
                self._queue = queue.set_samples_aside()
            self._in_work_since_ns = queue.pending[0].since_ns if queue.pending else None
            return queue

    def _idle_seconds(self) -> float:
        """How long there is nothing to do; samples do not wake the thread, they are looked for."""
        if self._queue.empty:
            return _BEAT_SECONDS
        return min(self._seconds_to_block(), _BEAT_SECONDS)

    def _seconds_to_block(self) -> float:
        passed = (self._clock.monotonic_ns() - self._last_block_ns) / NS_PER_SECOND
        return max(BLOCK_SECONDS - passed, 0.0)

    def _write(self, work: Work) -> None:
        try:
            self._write_or_raise(work)
        except (RecordError, StorageError) as error:
            self._give_up(work, error)
        finally:
            self._in_work_since_ns = None

    def _write_or_raise(self, work: Work) -> None:
        try:
            outcomes = self._commit(work)
        except StorageFull as error:
            told = self._after_full_disk(error, work.samples + work.dropped)
            self.dropped += work.samples
            outcomes = self._commit(Work([*work.pending, told]))
        for entry, outcome in zip(work.pending, outcomes, strict=False):
            entry.ticket.settle(outcome)
        self._checkpoint_if_due(work)

    def _commit(self, work: Work) -> list[RecordError | None]:
        items = [entry.item for entry in work.pending if entry.item is not None]
        if work.dropped:
            items.append(self._dropped_event(work.dropped, "the storage was too slow"))
        if not (items or work.samples):
            return [None] * len(work.pending)  # only a flush, and nothing was waiting
        outcomes = iter(self._store.commit(items, work.sweeps, self._stamp()))
        self._last_safe_write_ns = self._clock.monotonic_ns()
        self._told_dropped += work.dropped
        if work.samples:
            self._last_block_ns = self._last_safe_write_ns
        return [None if entry.item is None else next(outcomes) for entry in work.pending]

    def _after_full_disk(self, error: StorageFull, lost: int) -> Pending:
        """Give the reserve back and word the event; raises `error` when there is no reserve."""
        self._error = error
        if not release_reserve(self.folder):
            raise error
        event = Event(
            EventKind.WARNING,
            self.now_seconds(),
            f"the storage is full: {error}",
            {"storage": "full", "samples_lost": lost},
        )
        return Pending(event, Ticket(), self._clock.monotonic_ns())

    def _give_up(self, work: Work, error: RecordError | StorageError) -> None:
        failed = error if isinstance(error, StorageError) else StorageError(str(error))
        self._error = self._error or failed
        self.dropped += work.samples
        for entry in work.pending:
            entry.ticket.settle(failed)

    def _checkpoint_if_due(self, work: Work) -> None:
        passed = (self._clock.monotonic_ns() - self._last_checkpoint_ns) / NS_PER_SECOND
        if not work.ends_a_trial and passed < CHECKPOINT_SECONDS:
            return
        try:
            # A reader in the way is no harm: the log keeps everything until the next time.
            self._store.checkpoint()
        except StorageFull as error:
            self._commit(Work([self._after_full_disk(error, 0)]))
        self._last_checkpoint_ns = self._clock.monotonic_ns()

    def _dropped_event(self, dropped: int, why: str) -> Event:
        text = f"{dropped} readings were dropped: {why}"
        return Event(EventKind.DROPPED, self.now_seconds(), text, {"samples": dropped})

    def _stamp(self) -> Stamp:
        return Stamp(self.now_seconds(), self._clock.wall_ns())

    def _commit_end(self, ending: Ending, text: str) -> None:
        stamp = self._stamp()
        items = end_items(self.boot, ending, text, stamp)
        untold = self.dropped - self._told_dropped
        if self._error is not None and untold:
            items.insert(0, self._dropped_event(untold, "the storage was full"))
        try:
            self._store.commit(items, (), stamp, strict=True)
        except StorageFull:
            if not release_reserve(self.folder):
                raise
            self._store.commit(items, (), stamp, strict=True)


def end_items(boot: Boot, ending: Ending, text: str, stamp: Stamp) -> list[Item]:
    """What ends a part: the boot's end, the end event, the ending itself."""
    event = Event(EventKind.RUN_ENDED, stamp.at_seconds, text, {"ending": ending})
    return [
        replace(boot, ended_seconds=stamp.at_seconds),
        event,
        PartEnd(ending, text, stamp.at_seconds, stamp.wall_ns),
    ]


def seal_store(store: RecordStore, clock: Clock) -> None:
    """Turn the log and the file into the file alone, waiting for readers to go.

    Raises StorageError when somebody keeps the record open; nothing is lost then, but it is two
    files until the next time that rigproof opens it to write.
    """
    store.checkpoint()
    for _ in range(_SEAL_TRIES):
        if store.leave_wal():
            return
        clock.sleep(_SEAL_PAUSE_SECONDS)
    raise StorageError(
        f"{store.path}: another process keeps it open, so it could not be sealed: close that one"
    )


def finish_folder(folder: Path) -> str:
    """After sealing: reserve away, digests written, folder synced; returns the record's digest."""
    release_reserve(folder)
    fsync_folder(folder)
    write_sums(folder)
    return sha256_of(folder / RECORD_NAME)


def make_folder(folder: Path) -> None:
    """Make a run's folder where there is none yet. Raises StorageError."""
    try:
        folder.mkdir(mode=0o755, parents=True, exist_ok=True)
        fsync_folder(folder.parent)
    except OSError as error:
        raise StorageError(
            f"{folder}: the run's folder cannot be made: {error.strerror}: give another --runs-dir"
        ) from error


def _begin_part(store: RecordStore, boot: Boot, owner: Owner, clock: Clock) -> tuple[Boot, float]:
    """Tell the record of its new part; returns the boot as told and where the part begins."""
    folder = store.path.parent
    forget_last_words(folder.name)  # they are of a part that has been closed
    last = store.last_stamp()
    told = _continued(store.last_boot(), boot, last.at_seconds)
    (folder / SUMS_NAME).unlink(missing_ok=True)  # it would call the growing file damaged
    hold_reserve(folder)
    part = Part(told.number, last.at_seconds, owner)
    items: list[Item] = [told, part, _resumption(last, clock, told.number)]
    store.commit(items, (), Stamp(last.at_seconds, clock.wall_ns()), strict=True)
    return told, last.at_seconds


def _continued(before: Boot, boot: Boot, at_seconds: float) -> Boot:
    if before.boot_id == boot.boot_id:
        return replace(before, ended_seconds=None)
    return replace(boot, number=before.number + 1, offset_seconds=at_seconds, ended_seconds=None)


def _resumption(last: Stamp, clock: Clock, boot: int) -> Event:
    gap_seconds = (clock.wall_ns() - last.wall_ns) / NS_PER_SECOND
    text = f"resumed, boot {boot}; by the wall clock {gap_seconds:.0f} s after the last write"
    return Event(EventKind.RESUMED, last.at_seconds, text, {"wall_gap_seconds": gap_seconds})
