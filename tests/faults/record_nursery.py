"""Starts writers of records to be killed: a program of its own, and the tests' handle on it.

The program imports everything once and forks a writer for each line ``folder seed`` on its
standard input, so that a kill costs milliseconds. Each writer creates or carries on the record in
its folder and prints ``ack N`` when item N, a trial or a note, is acknowledged.
"""

from __future__ import annotations

import importlib
import os
import random
import select
import signal
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.results import RunData

ROOT = Path(__file__).resolve().parents[2]
BOOT_ID = "boot-a"


def main() -> None:
    """Fork a writer per line until standard input ends."""
    for line in sys.stdin:
        folder, seed = line.split()
        child = os.fork()
        if child == 0:
            _write_for_ever(Path(folder), int(seed))
        _say(f"started {child}")
        os.waitpid(child, 0)
        _say("gone 0")


def _say(text: str) -> None:
    os.write(1, f"{text}\n".encode())


def _write_for_ever(folder: Path, seed: int) -> None:
    from harness.clock import SYSTEM
    from harness.record.database import RECORD_NAME
    from harness.record.owner import Owner
    from harness.record.writer import RecordWriter
    from harness.results import Boot, Event, EventKind, Sample
    from tests.packing import packed

    chance = random.Random(seed)
    owner = Owner.of_this_process(BOOT_ID, ("nursery",))
    if (folder / RECORD_NAME).exists():
        boot = Boot(1, BOOT_ID, "", 0.0, None)
        writer = RecordWriter.reopen(folder, boot, owner, SYSTEM)
    else:
        writer = RecordWriter.create(folder, _header(folder.name, owner), SYSTEM)
    data = {"load": 0, "name": "dense", "workload": "dense", "cpus": [0], "pattern": "all-lanes"}
    writer.put(Event(EventKind.LOAD_STARTED, writer.now_seconds(), "dense", data))
    number = seed * 1_000_000
    while True:
        number += 1
        samples = [
            Sample(f"c{place}", writer.now_seconds(), chance.gauss(60, 5)) for place in range(40)
        ]
        writer.put_sweeps(packed(samples))
        # Only a trial is followed by a checkpoint, so most of what is acknowledged is in the log.
        item = _trial(number) if number % 10 == 0 else str(number)
        if writer.put(item).wait(60.0):
            _say(f"ack {number}")


def _header(run_id: str, owner: object) -> object:
    from harness.record.header import RunHeader

    return RunHeader(
        run_id=run_id,
        created_wall_ns=1_790_000_000_000_000_000,
        utc_offset_minutes=0,
        boot_id=BOOT_ID,
        profile_text="name: faults\n",
        profile_name="faults",
        profile_sha256="",
        settings={},
        facts={},
        versions={},
        context={},
        partial=False,
        owner=owner,  # type: ignore[arg-type]
    )


def _trial(number: int) -> object:
    from harness.results import LaneTrial, TrialData

    lanes = tuple(
        LaneTrial(lane, lane, 5, 1e9, 0.5, 0.1, 0.1, 5, 0.0, 0, 0, 3.6e9) for lane in range(4)
    )
    return TrialData(number, 1, 0, "dense", 1, 0.0, 1.0, lanes, 1e9, 1e9)


def kept(run: RunData) -> set[int]:
    """Numbers of the trials and notes that a record holds."""
    return {trial.number for trial in run.trials} | {int(note) for note in run.notes}


class Nursery:
    """The program, seen from a test: start writers, hear acknowledgements, kill."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__)), str(ROOT)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
        )
        self._child: int | None = None
        self._unread = b""

    def __enter__(self) -> Nursery:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # A failed assertion may leave a writer behind, perhaps a stopped one.
        if self._child is not None:
            os.kill(self._child, signal.SIGKILL)
        self._process.communicate(timeout=60.0)

    def start(self, folder: Path, seed: int) -> int:
        """Fork a writer on `folder`; returns its pid."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{folder} {seed}\n".encode())
        word, number = self._hear()
        assert word == "started", word
        self._child = number
        return number

    def acknowledged(self, count: int) -> list[int]:
        """Wait for `count` more acknowledgements."""
        heard = []
        for _ in range(count):
            word, number = self._hear()
            assert word == "ack", f"the writer ended by itself: {word}"
            heard.append(number)
        return heard

    def kill(self, pid: int) -> list[int]:
        """Kill -9; returns the acknowledgements that were still on their way."""
        os.kill(pid, signal.SIGKILL)
        heard = []
        while True:
            word, number = self._hear()
            if word == "gone":
                self._child = None
                return heard
            heard.append(number)

    def acknowledged_by_now(self) -> list[int]:
        """The acknowledgements that have been given, without waiting for more."""
        heard = []
        while b"\n" in self._unread or select.select([self._pipe], [], [], 0)[0]:
            heard.append(self._hear()[1])
        return heard

    @property
    def _pipe(self) -> int:
        assert self._process.stdout is not None
        return self._process.stdout.fileno()

    def _hear(self) -> tuple[str, int]:
        while b"\n" not in self._unread:
            piece = os.read(self._pipe, 65536)
            assert piece, "the nursery ended"
            self._unread += piece
        line, _, self._unread = self._unread.partition(b"\n")
        word, number = line.decode().split()
        return word, int(number)


if __name__ == "__main__":
    sys.path.insert(0, sys.argv[1])
    importlib.import_module("harness.record.writer")  # once, before the first fork
    main()
