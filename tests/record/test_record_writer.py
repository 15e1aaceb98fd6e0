"""What the writer acknowledges is on disk, each item once, and reads back as it was given."""

from __future__ import annotations

import queue
import sqlite3
import threading
from pathlib import Path

import pytest
from record_samples import (
    ABSENT,
    BOOT_ID,
    CLOCK,
    EVENT,
    FAILURE,
    HOT,
    begin,
    finished_run,
    header,
    load,
    readings,
    soak,
    trial,
)

from harness.clock import ManualClock
from harness.errors import RecordError
from harness.outcome import Ending
from harness.record.database import RECORD_NAME, Database
from harness.record.header import Properties, PropertyKind
from harness.record.reader import NO_END_EVENT, read_run
from harness.record.writer import BLOCK_SECONDS, RecordWriter
from harness.results import Boot, Event, EventKind, Sample
from tests.packing import packed

WAIT_SECONDS = 30.0


def blocks_in(folder: Path) -> int:
    database = Database.open_for_reading(folder / RECORD_NAME)
    try:
        count = database.scalar("SELECT count(*) FROM sample_blocks")
        assert isinstance(count, int)
        return count
    finally:
        database.close()


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
    writer.put_sweeps(packed(readings(0.0)))
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    assert blocks_in(writer.folder) == 0
    clock.advance(1.0)
    writer.put_sweeps(packed(readings(0.5)))
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    assert blocks_in(writer.folder) == 1
    writer.abandon()


def test_a_second_of_samples_is_written_without_being_asked_for(tmp_path: Path) -> None:
    written = threading.Event()
    clock = ManualClock()
    writer = RecordWriter.create(tmp_path / "r", header(), clock, heartbeat=lambda _: None)
    before = writer.last_safe_write_ns
    writer.put_sweeps(packed(readings(0.0)))
    clock.advance(1.0)
    for _ in range(600):  # the thread looks at its clock every 0.9 s
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
    writer.put_sweeps(packed((Sample("late", 0.5, 3.0),)))
    writer.seal(Ending.COMPLETED, "")
    (data,) = read_run(writer.folder).channels
    assert (data.channel.key, data.channel.absent_reason) == ("late", "not announced")
    assert (data.samples, data.first_value) == (1, 3.0)


def test_a_writer_whose_samples_stay_away_sleeps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float | None] = []
    wait = threading.Condition.wait

    def noted(self: threading.Condition, timeout: float | None = None) -> bool:
        if threading.current_thread().name == "record writer":
            waits.append(timeout)
        return wait(self, timeout)

    monkeypatch.setattr(threading.Condition, "wait", noted)
    clock = ManualClock()
    beats: queue.SimpleQueue[int] = queue.SimpleQueue()
    writer = RecordWriter.create(tmp_path / "r", header(), clock, heartbeat=beats.put)
    clock.advance(10 * BLOCK_SECONDS)  # a block would have been due long ago
    for _ in range(2):
        beats.get(timeout=WAIT_SECONDS)
    writer.seal(Ending.COMPLETED, "")
    assert [timeout for timeout in waits if not timeout] == []


def test_the_heart_beats_with_the_monotonic_clock(tmp_path: Path) -> None:
    beats: list[int] = []
    clock = ManualClock()
    writer = RecordWriter.create(tmp_path / "r", header(), clock, heartbeat=beats.append)
    clock.advance(2.0)
    assert writer.put(EVENT).wait(WAIT_SECONDS)
    assert beats[-1] == clock.monotonic_ns()
    writer.abandon()


def test_many_threads_may_hand_things_over(tmp_path: Path) -> None:
    writer = begin(tmp_path)

    def work(number: int) -> None:
        for step in range(20):
            assert writer.put(trial(100 * number + step)).wait(WAIT_SECONDS)
            writer.put_sweeps(packed((Sample(f"t{number}", writer.now_seconds(), float(step)),)))

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
