"""Which process a run belongs to, and whether that process is still there.

A pid alone is not enough: it is used again. So the process's start time is kept beside it, in the
kernel's own ticks where /proc gives them, because those do not move when the wall clock is set.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Owner:
    """One process of one boot; `mark` tells it from a later process with the same pid."""

    pid: int
    mark: str
    boot_id: str
    argv: tuple[str, ...]
    terminal: str = ""

    @classmethod
    def of_this_process(cls, boot_id: str, argv: Sequence[str]) -> Owner:
        """The process that calls."""
        pid = os.getpid()
        return cls(pid, process_mark(pid) or "", boot_id, tuple(argv), terminal_name())


def owner_is_alive(owner: Owner, boot_id: str) -> bool:
    """True when `owner` still runs on the boot `boot_id`; a zombie or a reused pid does not."""
    if owner.boot_id != boot_id:
        return False
    mark = process_mark(owner.pid)
    return mark is not None and mark == owner.mark


def process_mark(pid: int) -> str | None:
    """The start time of process `pid` as text to compare, or None when it is gone or a zombie."""
    if sys.platform == "linux":
        return _mark_from_proc(pid)
    return _mark_from_psutil(pid)


def _mark_from_proc(pid: int) -> str | None:
    # proc(5): field 2 is the command in brackets and may itself hold blanks and brackets, so the
    # fields are counted from the last closing bracket. Field 3 is the state, 22 the start time.
    try:
        text = Path(f"/proc/{pid}/stat").read_text("utf-8", "replace")
    except OSError:
        return None
    fields = text.rpartition(")")[2].split()
    return None if not fields or fields[0] in "ZX" else f"ticks {fields[19]}"


def _mark_from_psutil(pid: int) -> str | None:
    import psutil

    try:
        process = psutil.Process(pid)
        gone = process.status() == psutil.STATUS_ZOMBIE
        return None if gone else f"created {process.create_time():.0f}"
    except psutil.Error:
        return None


def terminal_name() -> str:
    """The terminal that this process talks to, or an empty text."""
    for descriptor in (0, 1, 2):
        try:
            return os.ttyname(descriptor)
        except (OSError, AttributeError):
            continue
    return ""
