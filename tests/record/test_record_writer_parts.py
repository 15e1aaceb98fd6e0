"""Where a record begins, is sealed and is carried on: one file, one writer, one axis of time."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path

import pytest
from record_samples import (
    BOOT_B,
    BOOT_ID,
    EVENT,
    HOT,
    OWNER,
    begin,
    finished_run,
    readings,
    trial,
)

from harness.clock import ManualClock
from harness.errors import RefusedStart, StorageError
from harness.outcome import Ending
from harness.record.database import RECORD_NAME, Database, log_in_use
from harness.record.endings import close_lost_runs
from harness.record.export import export_run
from harness.record.lock import CLOSING_NAME, MachineLock
from harness.record.owner import Owner
from harness.record.reader import read_run, samples
from harness.record.reserve import RESERVE_NAME
from harness.record.sums import SUMS_NAME
from harness.record.verify import verify_run
from harness.record.writer import RecordWriter
from harness.results import Boot, EventKind
from tests.packing import packed

WAIT_SECONDS = 30.0


def test_a_sealed_record_is_one_private_file_with_its_digest(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    digest = writer.seal(Ending.COMPLETED, "")
    path = writer.path
    assert sorted(entry.name for entry in writer.folder.iterdir()) == [SUMS_NAME, RECORD_NAME]
    assert not log_in_use(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert digest == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (writer.folder / SUMS_NAME).read_text() == f"{digest}  {RECORD_NAME}\n"


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
    writer.put_sweeps(packed(readings(writer.now_seconds())))
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


def test_whatever_the_umask_nobody_else_may_write_to_what_a_run_leaves(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        writer = begin(tmp_path)
        beside = {path.name: stat.S_IMODE(path.stat().st_mode) for path in writer.folder.iterdir()}
        writer.seal(Ending.COMPLETED, "")
        export_run(writer.folder, tmp_path / "csv")
    finally:
        os.umask(before)
    assert beside[RESERVE_NAME] == 0o600
    assert beside[f"{RECORD_NAME}-wal"] == beside[f"{RECORD_NAME}-shm"] == 0o600
    modes = {path: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.rglob("*")}
    assert {mode for path, mode in modes.items() if path.is_dir()} == {0o755}
    files = {path.name: mode for path, mode in modes.items() if path.is_file()}
    assert files.pop(RECORD_NAME) == 0o600
    assert set(files) >= {SUMS_NAME, "trials.csv", "samples.csv"}
    assert set(files.values()) == {0o644}
