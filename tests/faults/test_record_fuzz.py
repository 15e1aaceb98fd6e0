"""Damaged and hostile records: every change is named, no traceback, no hang, bounded memory.

The records are changed and used in a process of its own, whose memory is measured. RIGPROOF_BYTES
and RIGPROOF_FUZZ say how many (`make faults`).
"""

from __future__ import annotations

import importlib
import os
import random
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.packing import packed

ROOT = Path(__file__).resolve().parents[2]
FLIPS = int(os.environ.get("RIGPROOF_BYTES", "40"))
RECORDS = int(os.environ.get("RIGPROOF_FUZZ", "40"))
MOST_MEMORY_BYTES = 500 << 20


def damaged(whole: bytes, seed: int) -> bytes:
    """`whole` with one kind of damage: bits, runs, pages swapped, cut, spliced, or grown."""
    chance = random.Random(seed)
    data = bytearray(whole)
    kind = seed % 6
    if kind == 0:
        for _ in range(chance.randrange(1, 200)):
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    elif kind == 1:
        start = chance.randrange(len(data))
        data[start : start + 600] = chance.randbytes(len(data[start : start + 600]))
    elif kind == 2:
        pages = [data[place : place + 4096] for place in range(0, len(data), 4096)]
        first, second = chance.randrange(1, len(pages)), chance.randrange(1, len(pages))
        pages[first], pages[second] = pages[second], pages[first]
        data = bytearray(b"".join(pages))
    elif kind == 3:
        del data[chance.randrange(100, len(data)) :]
    elif kind == 4:
        start = chance.randrange(len(data) - 2000)
        source = chance.randrange(len(data) - 2000)
        data[start : start + 2000] = data[source : source + 2000]
    else:
        # Fields that count: page sizes, cell counts, lengths at the heads of pages.
        for page in range(0, len(data), 4096):
            place = page + (100 if page == 0 else 0) + chance.randrange(12)
            if chance.random() < 0.3:
                data[place] = chance.choice((0, 1, 0x7F, 0x80, 0xFF))
    return bytes(data)


def use(folder: Path) -> None:
    """Everything that a stranger's record may be used for."""
    from harness.errors import RigproofError
    from harness.record.endings import close_lost_runs
    from harness.record.export import export_run
    from harness.record.listing import list_runs
    from harness.record.progress import progress
    from harness.record.reader import read_run, samples
    from harness.record.verify import verify_run

    actions = (
        lambda: read_run(folder),
        lambda: progress(folder),
        lambda: samples(folder, "hwmon:x:temp1"),
        lambda: export_run(folder, folder / "csv"),
    )
    for action in actions:
        try:
            action()
        except RigproofError:
            continue
    list_runs(folder.parent)
    assert verify_run(folder) != ()
    close_lost_runs(folder.parent, _clock(), "boot-b", lambda _: False)


def _clock() -> object:
    from harness.clock import ManualClock

    return ManualClock()


def fuzz(seeds: range, place: Path) -> None:
    """Use damaged copies of a finished and of a crashed record; prints the peak of memory."""

    from harness.record.database import RECORD_NAME

    wholes = [path.read_bytes() for path in sorted(place.glob("good-*"))]
    sums = (place / "SHA256SUMS").read_bytes()
    for seed in seeds:
        folder = place / f"run-{seed}"
        folder.mkdir()
        (folder / "SHA256SUMS").write_bytes(sums)
        (folder / RECORD_NAME).write_bytes(damaged(wholes[seed // 6 % len(wholes)], seed))
        use(folder)
        for path in sorted(folder.rglob("*"), reverse=True):
            path.rmdir() if path.is_dir() else path.unlink()
        folder.rmdir()
    print(most_memory_bytes())  # noqa: T201


def most_memory_bytes() -> int:
    """Peak memory of this process; the resource usage would count the parent's before exec, too."""
    import resource

    status = Path("/proc/self/status")
    if status.exists():
        line = next(item for item in status.read_text().splitlines() if item.startswith("VmHWM"))
        return int(line.split()[1]) * 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


@pytest.fixture
def samples_of_runs() -> Iterator[Any]:
    """The record tests' invented runs."""
    sys.path.insert(0, str(ROOT / "tests" / "record"))
    try:
        yield importlib.import_module("record_samples")
    finally:
        sys.path.pop(0)


def test_one_changed_byte_anywhere_in_a_finished_record_is_named(
    tmp_path: Path, samples_of_runs: Any
) -> None:
    from harness.record.verify import verify_run

    folder = samples_of_runs.finished_run(tmp_path)
    assert verify_run(folder) == ()
    path = folder / "record.sqlite3"
    whole = path.read_bytes()
    chance = random.Random(20260923)
    for _ in range(FLIPS):
        flipped = bytearray(whole)
        place = chance.randrange(len(whole))
        # One bit in half of the cases, since a single one is the hardest to see.
        change = 1 << chance.randrange(8) if chance.random() < 0.5 else chance.randrange(1, 256)
        flipped[place] ^= change
        path.write_bytes(flipped)
        named = {problem.file for problem in verify_run(folder)}
        assert named == {"record.sqlite3"}, f"byte {place} changed by {change:#x}"


def test_no_damage_gives_a_traceback_a_hang_or_a_flood(
    tmp_path: Path, samples_of_runs: Any
) -> None:
    if sys.platform != "linux":
        pytest.skip("the peak of memory is measured in Linux's unit")
    _lay_out(tmp_path, samples_of_runs)
    done = subprocess.run(
        [sys.executable, __file__, str(ROOT), str(RECORDS), str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=60 + 5 * RECORDS,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-4000:]
    assert int(done.stdout) < MOST_MEMORY_BYTES


def _lay_out(place: Path, made: Any) -> None:
    folder = made.finished_run(place / "made")
    (place / "good-1").write_bytes((folder / "record.sqlite3").read_bytes())
    (place / "SHA256SUMS").write_bytes((folder / "SHA256SUMS").read_bytes())
    writer = made.begin(place / "crashed")
    for number in range(60):
        writer.put(made.trial(number))
        writer.put_sweeps(packed(made.readings(float(number))))
        writer.flush()
    writer.abandon()
    (place / "good-2").write_bytes(writer.path.read_bytes())


if __name__ == "__main__":
    sys.path.insert(0, sys.argv[1])
    fuzz(range(int(sys.argv[2])), Path(sys.argv[3]))
