"""The writer: what it acknowledges is on disk, what it cannot keep it says, nobody waits for it."""

from __future__ import annotations

import hashlib
import sqlite3
import stat
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from record_samples import (
    ABSENT,
    BOOT_B,
    BOOT_ID,
    CLOCK,
    EVENT,
    FAILURE,
    HOT,
    OWNER,
    begin,
    finished_run,
    header,
    load,
    readings,
    soak,
    trial,
)

from harness.clock import ManualClock
from harness.errors import RecordError, RefusedStart, StorageError, StorageFull
from harness.outcome import Ending
from harness.record import writer as writer_module
from harness.record.database import RECORD_NAME, Database, log_in_use
from harness.record.endings import close_lost_runs
from harness.record.header import Properties, PropertyKind
from harness.record.lock import CLOSING_NAME, MachineLock
from harness.record.owner import Owner
from harness.record.reader import NO_END_EVENT, read_run, samples
from harness.record.reserve import RESERVE_NAME
from harness.record.store import RecordStore
from harness.record.sums import SUMS_NAME
from harness.record.verify import verify_run
from harness.record.writer import MOST_PENDING_ITEMS, MOST_PENDING_SAMPLES, RecordWriter
from harness.results import Boot, Event, EventKind, Sample

WAIT_SECONDS = 30.0


def blocks_in(folder: Path) -> int:
    database = Database.open_for_reading(folder / RECORD_NAME)
    try:
        count = database.scalar("SELECT count(*) FROM sample_blocks")
        assert isinstance(count, int)
        return count
    finally:
        database.close()


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


def test_an_acknowledged_trial_is_read_by_another_process_while_the_run_goes_on(
    tmp_path: Path,
) -> None:
    writer = begin(tmp_path)
    assert writer.put(trial(7)).wait(WAIT_SECONDS)
    run = read_run(writer.folder)
    assert run.trials == (trial(7),)
    assert run.ended_utc is None
    assert NO_END_EVENT in run.banners
    writer.abandon()


def test_every_item_comes_back_after_sealing(tmp_path: Path) -> None:
    run = read_run(finished_run(tmp_path))
    assert run.trials == (trial(1), trial(2))
    assert run.soaks == (soak(),)
    assert run.failures == (FAILURE,)
    assert run.loads == (load(), load(1, name="soak"))
    assert [data.channel for data in run.channels] == [HOT, CLOCK, ABSENT]
    assert run.notes == ("fan at full speed",)
    assert (run.settings, run.facts) == (header().settings, header().facts)
    assert run.versions == {**header().versions, "sqlite": sqlite3.sqlite_version}
    assert run.context == header().context
    assert (run.ending, run.ending_text, run.banners) == (Ending.COMPLETED, "all done", ())
    assert run.duration_seconds == 42.0
    assert run.boots == (
        Boot(1, BOOT_ID, "2026-09-21T14:13:20.000Z", 0.0, cold=True, ended_seconds=42.0),
    )
    kinds = [event.kind for event in run.events]
    assert kinds[0] is EventKind.RUN_STARTED
    assert kinds[-1] is EventKind.RUN_ENDED


def test_a_sealed_record_is_one_private_file_with_its_digest(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    digest = writer.seal(Ending.COMPLETED, "")
    path = writer.path
    assert sorted(entry.name for entry in writer.folder.iterdir()) == [SUMS_NAME, RECORD_NAME]
    assert not log_in_use(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert digest == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (writer.folder / SUMS_NAME).read_text() == f"{digest}  {RECORD_NAME}\n"


def test_the_log_is_moved_into_the_file_after_each_trial(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    writer.put(trial(1))
    assert writer.flush(WAIT_SECONDS)
    # The flush is answered by a later turn of the thread than the checkpoint, or by the same one.
    writer.abandon()
    log = writer.path.with_name(f"{RECORD_NAME}-wal")
    assert not log.exists() or log.stat().st_size == 0


def test_samples_wait_for_their_second_and_events_do_not_cut_it(tmp_path: Path) -> None:
    clock = ManualClock()
    writer = begin(tmp_path, clock)
    writer.put_samples(readings(0.0))
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    assert blocks_in(writer.folder) == 0
    clock.advance(1.0)
    writer.put_samples(readings(0.5))
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    assert blocks_in(writer.folder) == 1
    writer.abandon()


def test_a_second_of_samples_is_written_without_being_asked_for(tmp_path: Path) -> None:
    written = threading.Event()
    clock = ManualClock()
    writer = RecordWriter.create(tmp_path / "r", header(), clock, heartbeat=lambda _: None)
    before = writer.last_safe_write_ns
    writer.put_samples(readings(0.0))
    clock.advance(1.0)
    for _ in range(600):  # the thread looks at its clock twice a second
        if writer.last_safe_write_ns > before:
            break
        written.wait(0.1)
    assert blocks_in(writer.folder) == 1
    writer.abandon()


def test_the_last_safe_write_is_the_time_of_the_last_commit(tmp_path: Path) -> None:
    clock = ManualClock()
    writer = begin(tmp_path, clock)
    clock.advance(5.0)
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    committed_ns = clock.monotonic_ns()
    clock.advance(3.0)
    assert writer.flush(WAIT_SECONDS)  # nothing was waiting, so nothing was written
    assert writer.last_safe_write_ns == committed_ns
    writer.abandon()


def test_a_trial_number_told_twice_is_refused_alone(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    assert writer.put(trial(1)).wait(WAIT_SECONDS)
    again, note = writer.put(trial(1, rate=1.0)), writer.put("still here")
    with pytest.raises(RecordError, match="UNIQUE"):
        again.wait(WAIT_SECONDS)
    assert note.wait(WAIT_SECONDS)
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    assert (run.trials, run.notes, run.banners) == ((trial(1),), ("still here",), ())


def test_an_item_that_has_no_place_is_refused_alone(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    bad, good = writer.put(trial(1, round=2**70)), writer.put(trial(2))
    with pytest.raises(RecordError, match="round"):
        bad.wait(WAIT_SECONDS)
    assert good.wait(WAIT_SECONDS)
    writer.seal(Ending.COMPLETED, "")
    assert read_run(writer.folder).trials == (trial(2),)


def test_progress_of_a_soak_is_replaced_and_its_points_are_stored_once(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    writer.put(soak(complete=False, ended_seconds=20.0, rate_points=((12.0, 1.0),)))
    writer.put(soak(complete=False, ended_seconds=30.0, rate_points=((12.0, 1.0), (14.0, 2.0))))
    writer.put(soak(rate_points=((12.0, 1.0), (14.0, 2.0), (16.0, 3.0))))
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    assert run.soaks == (soak(rate_points=((12.0, 1.0), (14.0, 2.0), (16.0, 3.0))),)
    database = Database.open_for_reading(writer.path)
    assert database.scalar("SELECT count(*) FROM rate_points") == 3
    database.close()


def test_what_is_told_again_counts_as_told_last(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    for item in (
        load(passes={}),
        load(),
        Properties(PropertyKind.FACT, {"firmware": "F13"}),
        Properties(PropertyKind.SETTING, {"vcore": "1.2 V"}),
    ):
        writer.put(item)
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    assert run.loads == (load(),)
    assert run.facts == {**header().facts, "firmware": "F13"}
    assert run.settings == {**header().settings, "vcore": "1.2 V"}


def test_readings_of_a_channel_that_nobody_announced_are_kept(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    writer.put_samples((Sample("late", 0.5, 3.0),))
    writer.seal(Ending.COMPLETED, "")
    (data,) = read_run(writer.folder).channels
    assert (data.channel.key, data.channel.absent_reason) == ("late", "not announced")
    assert (data.samples, data.first_value) == (1, 3.0)


def test_a_slow_disk_never_stalls_the_sampler_and_the_drops_are_counted_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = begin(tmp_path)
    gate = Gate(monkeypatch)
    writer.put(EVENT)
    assert gate.entered.wait(WAIT_SECONDS)
    reading = Sample("a", 0.5, 1.0)
    writer.put_samples((reading,) * MOST_PENDING_SAMPLES)
    writer.put_samples((reading,) * 5)
    assert writer.dropped == 5
    gate.open()
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    (told,) = [event for event in run.events if event.kind is EventKind.DROPPED]
    assert told.data == {"dropped": 5}
    assert run.channels[0].samples == MOST_PENDING_SAMPLES


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
    writer.put_samples(readings(0.0))
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
    writer.put_samples(readings(0.0))
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
    writer.put_samples(readings(0.0))
    writer.put_samples(readings(1.0))
    writer.seal(Ending.ERROR, "the storage is full")
    (told,) = [e for e in read_run(writer.folder).events if e.kind is EventKind.DROPPED]
    assert told.data == {"dropped": 8}


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


def test_the_heart_beats_with_the_monotonic_clock(tmp_path: Path) -> None:
    beats: list[int] = []
    clock = ManualClock()
    writer = RecordWriter.create(tmp_path / "r", header(), clock, heartbeat=beats.append)
    clock.advance(2.0)
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    assert beats[-1] == clock.monotonic_ns()
    writer.abandon()


def test_nothing_is_taken_after_the_seal(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    writer.seal(Ending.COMPLETED, "")
    with pytest.raises(StorageError, match="closed already"):
        writer.put(trial(1))
    with pytest.raises(StorageError, match="closed already"):
        writer.put(EVENT).wait(0.0)


def test_two_records_never_share_a_folder(tmp_path: Path) -> None:
    finished_run(tmp_path)
    with pytest.raises(StorageError, match="holds a record already"):
        begin(tmp_path)


def test_a_folder_that_cannot_be_made_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match="cannot be made"):
        begin(tmp_path / "file")


def test_a_reader_that_stays_does_not_make_the_seal_lose_anything(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    writer.put(trial(1))
    assert writer.flush(WAIT_SECONDS)
    reader = Database.open_for_reading(writer.path)
    with reader.snapshot():
        reader.scalar("SELECT count(*) FROM trials")
        with pytest.raises(StorageError, match="keeps it open"):
            writer.seal(Ending.COMPLETED, "")
    reader.close()
    run = read_run(writer.folder)
    assert (run.ending, run.trials) == (Ending.COMPLETED, (trial(1),))
    # The next command finishes it: its process is gone, its end is told.
    assert close_lost_runs(tmp_path, ManualClock(), BOOT_ID, lambda _: False) == ()
    assert verify_run(writer.folder) == ()
    assert read_run(writer.folder).ending is Ending.COMPLETED


def test_a_run_that_another_command_works_on_is_not_reopened(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    me = Owner.of_this_process(BOOT_ID, ())
    before = (folder / RECORD_NAME).read_bytes()
    with (
        MachineLock.acquire(me, "x", ManualClock(), folder=folder, name=CLOSING_NAME),
        pytest.raises(RefusedStart),
    ):
        RecordWriter.reopen(folder, BOOT_B, me, ManualClock())
    assert (folder / RECORD_NAME).read_bytes() == before


def test_a_resumed_run_goes_on_along_one_axis_in_the_same_boot(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    clock = ManualClock(monotonic=5, wall=ManualClock().wall + 3600 * 10**9)
    boot = Boot(1, BOOT_ID, "x", 0.0, None)
    writer = RecordWriter.reopen(folder, boot, OWNER, clock)
    assert not (folder / SUMS_NAME).exists()
    assert writer.now_seconds() == pytest.approx(42.0, abs=1e-6)
    assert (writer.boot.number, writer.boot.offset_seconds) == (1, 0.0)
    clock.advance(8.0)
    writer.put(trial(3))
    writer.put_samples(readings(writer.now_seconds()))
    writer.seal(Ending.COMPLETED, "second part")
    run = read_run(folder)
    assert [item.number for item in run.trials] == [1, 2, 3]
    assert (run.ending_text, run.duration_seconds) == ("second part", pytest.approx(50.0))
    assert [boot.number for boot in run.boots] == [1]
    resumed = [event for event in run.events if event.kind is EventKind.RESUMED]
    assert [event.at_seconds for event in resumed] == [42.0]
    times, _ = samples(folder, HOT.key)
    assert times[-1] == pytest.approx(50.5)
    assert verify_run(folder) == ()


def test_a_run_resumed_after_a_restart_has_a_second_boot(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    writer = RecordWriter.reopen(folder, BOOT_B, OWNER, ManualClock(monotonic=0))
    assert (writer.boot.number, writer.boot.offset_seconds) == (2, 42.0)
    writer.abandon()
    run = read_run(folder)
    assert [(boot.number, boot.boot_id, boot.cold) for boot in run.boots] == [
        (1, BOOT_ID, True),
        (2, "boot-b", False),
    ]
    assert (run.ending, run.ended_utc) == (Ending.CRASHED, None)


def test_a_wall_clock_that_is_set_back_moves_labels_and_no_duration(tmp_path: Path) -> None:
    clock = ManualClock()
    writer = begin(tmp_path, clock)
    clock.advance(10.0)
    clock.set_wall(clock.wall_ns() - 7200 * 10**9)
    writer.put("after the step")
    clock.advance(10.0)
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    assert run.duration_seconds == 20.0
    assert run.ended_utc is not None
    assert run.ended_utc < run.started_utc
    (note,) = [event for event in run.events if event.kind is EventKind.NOTE]
    assert note.at_seconds == 10.0
    assert run.banners == ()
    assert verify_run(writer.folder) == ()


def test_many_threads_may_hand_things_over(tmp_path: Path) -> None:
    writer = begin(tmp_path)

    def work(number: int) -> None:
        for step in range(20):
            assert writer.put(trial(100 * number + step)).wait(WAIT_SECONDS)
            writer.put_samples((Sample(f"t{number}", writer.now_seconds(), float(step)),))

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    assert len(run.trials) == 80
    assert [data.samples for data in run.channels] == [20] * 4
    assert run.banners == ()


def test_the_order_of_events_is_the_order_of_their_times(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    for at_seconds in (3.0, 1.0, 2.0):
        writer.put(Event(EventKind.WARNING, at_seconds, ""))
    writer.abandon()
    times = [event.at_seconds for event in read_run(writer.folder).events]
    assert times == [0.0, 1.0, 2.0, 3.0]
