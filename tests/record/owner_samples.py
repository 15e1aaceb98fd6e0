"""Owners of locks and runs: this process, and one that has gone."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from pathlib import Path

from record_samples import BOOT_ID

from harness.clock import Clock
from harness.record.lock import MachineLock
from harness.record.owner import Owner, process_mark


def this_process() -> Owner:
    return Owner.of_this_process(BOOT_ID, ("rigproof", "run"))


def gone(me: Owner) -> Owner:
    """A process that has ended and was waited for."""
    child = subprocess.Popen([sys.executable, "-c", ""])
    mark = process_mark(child.pid) or "?"
    child.wait()
    return dataclasses.replace(me, pid=child.pid, mark=mark)


def leave(owner: Owner, run_id: str, clock: Clock, folder: Path) -> None:
    """A lock whose process has ended: nobody removed it and nobody holds it."""
    MachineLock.acquire(owner, run_id, clock, folder=folder)._file.close()
