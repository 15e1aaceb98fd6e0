"""The writer on a slow, hanging, full or vanished disk: what it cannot keep it says, and nobody
waits for it. Oracle: what its tickets acknowledged before."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from record_samples import (
    EVENT,
    begin,
    header,
    readings,
    trial,
)

from harness.clock import ManualClock
from harness.errors import StorageError, StorageFull
from harness.outcome import Ending
from harness.record import writer as writer_module
from harness.record.reader import read_run
from harness.record.reserve import RESERVE_NAME
from harness.record.store import RecordStore
from harness.record.writer import MOST_PENDING_ITEMS, MOST_PENDING_SAMPLES, RecordWriter
from harness.results import EventKind, Sample
from tests.packing import packed

WAIT_SECONDS = 30.0


class Gate:
    """Lets commits through only while it is open, like a disk that hangs."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._open = threading.Event()
        self.entered = threading.Event()
        real = RecordStore.commit

        def commit(store: RecordStore, *given: Any, **named: Any) -> Any:
            self.entered.set()
            assert self._open.wait(WAIT_SECONDS)
            return real(store, *given, **named)

        monkeypatch.setattr(RecordStore, "commit", commit)

    def open(self) -> None:
        self._open.set()


def failing_commits(
    monkeypatch: pytest.MonkeyPatch, errors: Sequence[Exception | None]
) -> Callable[[], int]:
    """Commits that fail with `errors` in turn, then work; returns how many were asked for."""
    real = RecordStore.commit
    left = list(errors)
    asked = []

    def commit(store: RecordStore, *given: Any, **named: Any) -> Any:
        asked.append(1)
        error = left.pop(0) if left else None
        if error is not None:
            raise error
        return real(store, *given, **named)

    monkeypatch.setattr(RecordStore, "commit", commit)
    return lambda: len(asked)


def test_a_slow_disk_never_stalls_the_sampler_and_the_drops_are_counted_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    gate = Gate(monkeypatch)
    writer.put(EVENT)
    assert gate.entered.wait(WAIT_SECONDS)
    reading = Sample("a", 0.5, 1.0)
    writer.put_sweeps(packed((reading,) * MOST_PENDING_SAMPLES))
    writer.put_sweeps(packed((reading,) * 5))
    assert writer.dropped == 5
    gate.open()
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    (told,) = [event for event in run.events if event.kind is EventKind.DROPPED]
    assert told.data == {"samples": 5}
    assert run.channels[0].samples == MOST_PENDING_SAMPLES


def test_a_sweep_that_finds_too_little_room_is_dropped_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    gate = Gate(monkeypatch)
    writer.put(EVENT)
    assert gate.entered.wait(WAIT_SECONDS)
    writer.put_sweeps(packed([Sample("a", 0.5, 1.0)] * (MOST_PENDING_SAMPLES - 1)))
    writer.put_sweeps(packed([Sample("b", 0.6, 2.0), Sample("c", 0.6, 3.0)]))
    writer.put_sweeps(packed([Sample("d", 0.7, 4.0)]))
    assert writer.dropped == 2
    gate.open()
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    assert {data.channel.key: data.samples for data in run.channels} == {
        "a": MOST_PENDING_SAMPLES - 1,
        "d": 1,
    }


def test_the_age_of_the_oldest_unwritten_item_is_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = ManualClock()
    writer = begin(tmp_path, clock)
    gate = Gate(monkeypatch)
    assert writer.lag_seconds == 0.0
    writer.put(EVENT)
    assert gate.entered.wait(WAIT_SECONDS)
    clock.advance(4.0)
    assert writer.lag_seconds == 4.0
    assert not writer.put(EVENT).wait(0.0)
    gate.open()
    assert writer.flush(WAIT_SECONDS)
    writer.abandon()


def test_a_disk_that_hangs_refuses_trials_when_the_queue_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    gate = Gate(monkeypatch)
    writer.put(EVENT)
    assert gate.entered.wait(WAIT_SECONDS)
    for _ in range(MOST_PENDING_ITEMS):
        writer.put(EVENT)
    with pytest.raises(StorageError, match="storage hangs"):
        writer.put(trial(1))
    with pytest.raises(StorageError, match="storage hangs"):
        writer.put("a note").wait(0.0)
    gate.open()
    writer.seal(Ending.ERROR, "")
    assert len(read_run(writer.folder).events) == MOST_PENDING_ITEMS + 3


def test_a_seal_does_not_wait_for_ever_for_a_disk_that_hangs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    gate = Gate(monkeypatch)
    monkeypatch.setattr(writer_module, "_JOIN_SECONDS", 0.05)
    writer.put(EVENT)
    assert gate.entered.wait(WAIT_SECONDS)
    with pytest.raises(StorageError, match="has not answered"):
        writer.seal(Ending.COMPLETED, "")
    gate.open()
    monkeypatch.setattr(writer_module, "_JOIN_SECONDS", WAIT_SECONDS)
    writer.abandon()


def test_after_a_storage_error_trials_raise_and_the_rest_is_told_by_its_ticket(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    assert writer.put(trial(1)).wait(WAIT_SECONDS)
    failing_commits(monkeypatch, [StorageError("the disk went away")])
    with pytest.raises(StorageError, match="went away"):
        writer.put(EVENT).wait(WAIT_SECONDS)
    assert writer.error is not None
    with pytest.raises(StorageError, match="went away"):
        writer.put(trial(2))
    with pytest.raises(StorageError, match="went away"):
        writer.put("a note").wait(0.0)
    writer.put_sweeps(packed(readings(0.0)))
    assert writer.dropped == 4
    with pytest.raises(StorageError, match="went away"):
        writer.seal(Ending.ERROR, "")
    assert read_run(writer.folder).trials == (trial(1),)


def test_a_full_disk_gives_the_reserve_back_and_is_the_last_thing_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    assert (writer.folder / RESERVE_NAME).exists()
    failing_commits(monkeypatch, [StorageFull("no space left")])
    writer.put_sweeps(packed(readings(0.0)))
    ticket = writer.put(trial(1))
    assert writer.flush(WAIT_SECONDS)
    assert ticket.wait(0.0)
    assert isinstance(writer.error, StorageFull)
    assert not (writer.folder / RESERVE_NAME).exists()
    with pytest.raises(StorageFull):
        writer.put(trial(2))
    assert writer.put("last words").wait(WAIT_SECONDS)
    writer.seal(Ending.ERROR, "the storage is full")
    run = read_run(writer.folder)
    assert (run.trials, run.notes, run.ending) == ((trial(1),), ("last words",), Ending.ERROR)
    (told,) = [event for event in run.events if event.kind is EventKind.WARNING]
    assert told.data["storage"] == "full"


def test_readings_lost_to_a_full_disk_are_counted_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    failing_commits(monkeypatch, [StorageFull("no space left")])
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    writer.put_sweeps(packed(readings(0.0)))
    writer.put_sweeps(packed(readings(1.0)))
    writer.seal(Ending.ERROR, "the storage is full")
    (told,) = [e for e in read_run(writer.folder).events if e.kind is EventKind.DROPPED]
    assert told.data == {"samples": 8}


def test_what_was_told_of_dropped_readings_before_the_disk_was_full_is_not_told_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Oracle: the readings handed over and not found in the record."""
    writer = begin(tmp_path)
    gate = Gate(monkeypatch)
    writer.put(EVENT)
    assert gate.entered.wait(WAIT_SECONDS)
    writer.put_sweeps(packed((Sample("a", 0.5, 1.0),) * MOST_PENDING_SAMPLES))
    writer.put_sweeps(packed((Sample("a", 0.5, 1.0),) * 5))
    gate.open()
    assert writer.flush(WAIT_SECONDS)
    failing_commits(monkeypatch, [StorageFull("no space left")])
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    writer.put_sweeps(packed(readings(0.0)))
    writer.seal(Ending.ERROR, "the storage is full")
    told = [it for it in read_run(writer.folder).events if it.kind is EventKind.DROPPED]
    assert [it.data["samples"] for it in told] == [5, 4]


def test_a_disk_that_stays_full_fails_what_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    failing_commits(monkeypatch, [StorageFull("no space left")] * 3)
    with pytest.raises(StorageFull):
        writer.put(trial(1)).wait(WAIT_SECONDS)
    with pytest.raises(StorageFull):
        writer.seal(Ending.ERROR, "")
    assert read_run(writer.folder).trials == ()


def test_a_full_disk_met_by_the_checkpoint_costs_nothing_that_was_acknowledged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    real = RecordStore.checkpoint
    left = [StorageFull("no space left")]

    def checkpoint(store: RecordStore) -> bool:
        if left:
            raise left.pop()
        return real(store)

    monkeypatch.setattr(RecordStore, "checkpoint", checkpoint)
    assert writer.put(trial(1)).wait(WAIT_SECONDS)
    assert writer.flush(WAIT_SECONDS)
    assert isinstance(writer.error, StorageFull)
    writer.seal(Ending.ERROR, "")
    assert read_run(writer.folder).trials == (trial(1),)


def test_a_record_that_vanished_is_noticed_at_the_next_commit(tmp_path: Path) -> None:
    # The system lets a process write to a deleted file for ever, without a word.
    writer = begin(tmp_path)
    writer.path.unlink()
    with pytest.raises(StorageError, match="gone from its place"):
        writer.put(trial(1)).wait(WAIT_SECONDS)
    writer.abandon()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_bug_in_the_thread_leaves_nobody_waiting(tmp_path: Path) -> None:
    def heartbeat(_: int) -> None:
        raise ValueError("bug")

    writer = RecordWriter.create(tmp_path / "r", header(), ManualClock(), heartbeat=heartbeat)
    with pytest.raises(StorageError, match="the writer broke"):
        writer.put(EVENT).wait(WAIT_SECONDS)
    writer.abandon()
