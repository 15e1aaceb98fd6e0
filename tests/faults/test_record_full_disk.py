"""The disk is full, or goes away, at random points of a run: on a small file system in memory.

Oracle: what was acknowledged before. RIGPROOF_FULL says how often (`make faults`).
"""

from __future__ import annotations

import os
import random
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.clock import ManualClock
from harness.errors import StorageError, StorageFull
from harness.outcome import Ending
from harness.record.files import write_atomic
from harness.record.owner import Owner
from harness.record.reader import NO_END_EVENT, read_run
from harness.record.verify import verify_run
from harness.record.writer import RecordWriter
from harness.results import EventKind, Sample
from tests.packing import packed

from record_nursery import BOOT_ID, _header, _trial  # isort: skip

POINTS = int(os.environ.get("RIGPROOF_FULL", "8"))
DISK_BYTES = 3 << 20
RESERVE = 1 << 20
RUN_ID = "20260921T141320Z-full-0000"
MOST_TRIALS = 2_000


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 3 MiB, or a skip where this machine cannot mount one."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("a small file system can only be mounted by root")
    place = tmp_path / "disk"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "rigproof", str(place)]
    done = subprocess.run(words, check=False, capture_output=True)
    if done.returncode != 0:
        pytest.skip(f"this machine mounts no file system in memory: {done.stderr!r}")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=False, capture_output=True)


def begin(disk: Path) -> RecordWriter:
    owner = Owner(1, "", BOOT_ID, ())
    return RecordWriter.create(disk / RUN_ID, _header(RUN_ID, owner), ManualClock())  # type: ignore[arg-type]


def fill(disk: Path, leave_bytes: int) -> None:
    free = os.statvfs(disk)
    amount = free.f_bavail * free.f_bsize - leave_bytes
    with (disk / "filler").open("ab") as file:
        file.write(bytes(max(amount, 0)))


def trials_until_full(writer: RecordWriter) -> set[int]:
    """Trials with their samples until the writer says that it is over; those acknowledged."""
    acknowledged = set()
    for number in range(1, MOST_TRIALS):
        samples = [Sample(f"c{place}", float(number), number / 7 + place) for place in range(50)]
        writer.put_sweeps(packed(samples))
        writer.flush()
        try:
            if writer.put(_trial(number)).wait(60.0):  # type: ignore[arg-type]
                acknowledged.add(number)
        except StorageError:
            break
    return acknowledged


@pytest.mark.parametrize("point", range(POINTS))
def test_a_disk_that_fills_up_costs_no_acknowledged_trial(disk: Path, point: int) -> None:
    writer = begin(disk)
    fill(disk, random.Random(point).randrange(0, 400_000))
    acknowledged = trials_until_full(writer)
    assert isinstance(writer.error, StorageFull)
    assert "disk is full: free space or choose another --runs-dir" in str(writer.error)
    writer.put("noticed")
    with pytest.raises(StorageFull):
        writer.put(_trial(MOST_TRIALS))  # type: ignore[arg-type]
    writer.seal(Ending.ERROR, "the storage is full")
    run = read_run(writer.folder)
    assert acknowledged <= {trial.number for trial in run.trials}
    assert (run.ending, run.notes, run.banners) == (Ending.ERROR, ("noticed",), ())
    told = [event for event in run.events if event.data.get("storage") == "full"]
    assert [event.kind for event in told] == [EventKind.WARNING]
    assert verify_run(writer.folder) == ()


def test_a_report_that_does_not_fit_leaves_nothing_behind(disk: Path) -> None:
    folder = disk / "reports"
    folder.mkdir()
    write_atomic(folder / "report.html", b"old")
    fill(disk, 8192)
    with pytest.raises(StorageError, match="No space left"):
        write_atomic(folder / "report.html", bytes(100_000))
    assert [path.name for path in folder.iterdir()] == ["report.html"]
    assert (folder / "report.html").read_bytes() == b"old"


@pytest.mark.parametrize(
    "leave_bytes", [0, 8192, 100_000, RESERVE, RESERVE + 8192, RESERVE + 16384, RESERVE + 50_000]
)
def test_a_disk_that_is_full_at_the_start_refuses_the_run(disk: Path, leave_bytes: int) -> None:
    fill(disk, leave_bytes)
    with pytest.raises(StorageFull):
        begin(disk)
    assert [path.name for path in disk.iterdir()] == ["filler"]  # nothing that looks like a run


def test_a_disk_that_goes_away_is_noticed(disk: Path) -> None:
    writer = begin(disk)
    assert writer.put(_trial(1)).wait(60.0)  # type: ignore[arg-type]
    subprocess.run(["umount", "-l", str(disk)], check=True, capture_output=True)
    with pytest.raises(StorageError, match="gone from its place"):
        writer.put(_trial(2)).wait(60.0)  # type: ignore[arg-type]
    with pytest.raises(StorageError, match="gone from its place"):
        writer.seal(Ending.ERROR, "")


def test_a_full_disk_without_end_is_still_readable(disk: Path) -> None:
    writer = begin(disk)
    fill(disk, 100_000)
    acknowledged = trials_until_full(writer)
    writer.abandon()
    run = read_run(writer.folder)
    assert acknowledged <= {trial.number for trial in run.trials}
    assert NO_END_EVENT in run.banners
