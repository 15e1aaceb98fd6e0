"""Which process a run belongs to, and whether that process is still there.

A pid alone is not enough: it is used again. So the process's start time is kept beside it, in the
kernel's own ticks where /proc gives them, because those do not move when the wall clock is set.
Ticks count from the start of the machine, so its boot is kept with them: a service may get the same
pid at the same tick after every restart.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.machine.boot import kernel_boot_id

#: Between a mark's ticks and its boot; marks of early records say no boot.
_OF_BOOT = " of boot "


@dataclass(frozen=True)
class Owner:
    """One process of one boot; `mark` tells it from a later process with the same pid.

    `boot_id` is the boot of the tree that describes the machine to the run.
    """

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

    @property
    def own_boot_id(self) -> str:
        """The boot that the process itself ran in, whatever tree it read; "" where not known."""
        return self.mark.partition(_OF_BOOT)[2]


def owner_is_alive(owner: Owner, boot_id: str) -> bool:
    """True when `owner` still runs on the boot `boot_id`; a zombie or a reused pid does not."""
    if owner.boot_id != boot_id:
        return False
    mark = process_mark(owner.pid)
    return mark is not None and (mark == owner.mark or mark.startswith(owner.mark + _OF_BOOT))


def restarted_since(owner: Owner, boot_id: str, own_boot_id: str) -> bool:
    """Whether the machine restarted since `owner` ran.

    `boot_id` is what the tree that describes the machine shows now, `own_boot_id` the boot that
    this process runs in. Where one of the two read a described machine (--sysfs-root) and the other
    the real one, the trees' ids differ and say nothing: then the real boot alone decides.
    """
    before = owner.own_boot_id
    if not before:
        return owner.boot_id not in (boot_id, own_boot_id)
    if before != own_boot_id:
        return True
    alike = (owner.boot_id == before) == (boot_id == own_boot_id)
    return alike and owner.boot_id != boot_id


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
    if not fields or fields[0] in "ZX":
        return None
    boot = kernel_boot_id()
    return f"ticks {fields[19]}" + (f"{_OF_BOOT}{boot}" if boot else "")


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
