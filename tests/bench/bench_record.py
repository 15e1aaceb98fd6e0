"""The record's cost: ``python tests/bench/bench_record.py [--minutes 30]``.

Acknowledged commits beside the same rows written by bare sqlite3 with the same pragmas, in turn in
one run. Then a soak of 100 channels at 10 Hz as fast as the writer takes it: size per hour, memory
along the way, processor time per recorded hour, and how long the finished record takes to read.
The readings are invented: a slow drift, noise of the size of a sensor's step, some repeats.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from harness.clock import Clock, ManualClock
from harness.outcome import Ending
from harness.record.header import RunHeader
from harness.record.owner import Owner
from harness.record.progress import progress
from harness.record.reader import read_run, samples
from harness.record.verify import verify_run
from harness.record.writer import RecordWriter
from harness.results import Channel, Event, EventKind, Sample
from harness.sweeps import PackedSweep
from tests.packing import packed

CHANNELS, CHIP_CHANNELS = 100, 10
RATE_HZ = 10
ROUNDS = 5
COMMITS = 200
RAW_BYTES = 16  # a time and a value, eight bytes each


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def begin(folder: Path, clock: Clock) -> RecordWriter:
    owner = Owner.of_this_process("bench", ())
    header = RunHeader(
        folder.name, clock.wall_ns(), 0, "bench", "", "bench", "", {}, {}, {}, {}, False, owner
    )
    return RecordWriter.create(folder, header, clock)


def ours(writer: RecordWriter) -> float:
    """Seconds for one acknowledged event after the other."""
    start = time.perf_counter()
    for _ in range(COMMITS):
        writer.put(Event(EventKind.WARNING, 1.0, "x" * 200)).wait()
    return (time.perf_counter() - start) / COMMITS


def bare(connection: sqlite3.Connection) -> float:
    """Seconds for the same rows, one commit each, without chain, queue and thread."""
    start = time.perf_counter()
    for _ in range(COMMITS):
        with connection:
            connection.execute("INSERT INTO events VALUES (NULL, 'warning', 1.0, ?)", ("x" * 200,))
            connection.execute("INSERT INTO chain VALUES (NULL, 1.0, 1, ?)", (bytes(32),))
    return (time.perf_counter() - start) / COMMITS


def compare_commits(folder: Path) -> None:
    writer = begin(folder / "commits", ManualClock())
    connection = sqlite3.connect(folder / "bare.sqlite3")
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("CREATE TABLE events (id INTEGER PRIMARY KEY, k TEXT, t REAL, x TEXT)")
    connection.execute("CREATE TABLE chain (id INTEGER PRIMARY KEY, t REAL, w INTEGER, h BLOB)")
    pairs = [(ours(writer), bare(connection)) for _ in range(ROUNDS)]
    writer.abandon()
    connection.close()
    ratio = statistics.median(mine / plain for mine, plain in pairs)
    mine = statistics.median(mine for mine, _ in pairs)
    say(f"acknowledged event  {mine * 1e3:6.2f} ms, {ratio:.2f} times bare sqlite3")


def sweeps(second: int, chance: random.Random) -> tuple[PackedSweep, ...]:
    made = []
    for step in range(RATE_HZ):
        for chip in range(0, CHANNELS, CHIP_CHANNELS):
            at_seconds = second + step / RATE_HZ + chip * 1e-5 + chance.random() * 1e-4
            for channel in range(chip, chip + CHIP_CHANNELS):
                noise = chance.randrange(3) / 8 if step % 2 == 0 else 0.0
                value = round((40 + channel / 2 + second / 600 + noise) * 8) / 8
                made.append(Sample(f"hwmon:chip:temp{channel}", at_seconds, value, "", "", 2e-6))
    return packed(made)


def resident_bytes() -> int:
    """Memory of this process now; 0 where /proc does not tell."""
    try:
        pages = Path("/proc/self/statm").read_text("ascii").split()[1]
    except OSError:
        return 0
    return int(pages) * 4096


def soak(folder: Path, minutes: int) -> Path:
    clock = ManualClock()
    writer = begin(folder / "soak", clock)
    for channel in range(CHANNELS):
        writer.put(Channel(f"hwmon:chip:temp{channel}", f"t{channel}", "°C", "hwmon"))
    chance = random.Random(1)
    seconds = minutes * 60
    spent = time.process_time()
    making = 0.0
    for second in range(seconds):
        before = time.process_time()
        made = sweeps(second, chance)
        making += time.process_time() - before
        writer.put_sweeps(made)
        clock.advance(1.0)
        writer.flush()
        if (second + 1) % max(seconds // 10, 1) == 0:
            size = writer.path.stat().st_size + _log_bytes(writer)
            memory = resident_bytes() / 2**20
            minute = (second + 1) / 60
            say(f"  minute {minute:6.1f}: {size / 2**20:6.2f} MiB, memory {memory:.0f} MiB")
    writer.seal(Ending.COMPLETED, "")
    busy = (time.process_time() - spent - making) / seconds
    per_hour = writer.path.stat().st_size * 60 / minutes
    raw = CHANNELS * RATE_HZ * 3600 * RAW_BYTES
    say(f"size per hour       {per_hour / 2**20:6.2f} MiB, {per_hour / raw:.2f} of raw pairs")
    say(f"processor           {busy * 100:6.2f} % of one core")
    return writer.folder


def _log_bytes(writer: RecordWriter) -> int:
    log = writer.path.with_name(f"{writer.path.name}-wal")
    return log.stat().st_size if log.exists() else 0


def timed(name: str, action: Callable[[], object]) -> None:
    start = time.perf_counter()
    action()
    say(f"{name:<19} {time.perf_counter() - start:6.2f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=30, help="length of the soak")
    minutes = parser.parse_args().minutes
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        compare_commits(folder)
        say(f"soak of {minutes} min, {CHANNELS} channels at {RATE_HZ} Hz")
        run = soak(folder, minutes)
        timed("read_run", lambda: read_run(run))
        timed("samples", lambda: samples(run, "hwmon:chip:temp7"))
        timed("progress", lambda: progress(run))
        timed("verify_run", lambda: verify_run(run))


if __name__ == "__main__":
    main()
