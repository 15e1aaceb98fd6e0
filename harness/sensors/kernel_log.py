"""Lines of the kernel's log that tell of failing hardware, while the run goes on.

Source: Documentation/ABI/testing/dev-kmsg: one record a read, ``priority,sequence,microseconds,
flags;text``; EPIPE means that records were overwritten before they were read, EAGAIN that there
are no more. Readable by everybody only where ``kernel.dmesg_restrict`` is 0.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, Hint, Incident, Reading
from harness.sensors.files import describe, visible
from harness.sensors.keys import make_key

#: What the kernel prints when hardware reports trouble: HW_ERR of include/linux/printk.h, the
#: machine-check, EDAC, AER, memory-failure and thermal drivers, and the accelerator driver's Xid.
PATTERN = re.compile(
    rb"\[Hardware Error\]|\bmce: |Machine [Cc]heck|\bEDAC [A-Za-z0-9]+: [0-9]+ [CU]E\b"
    rb"|PCIe Bus Error|AER: .*[Ee]rror|Memory failure:|Core temperature above threshold"
    rb"|NVRM: Xid|soft lockup|hard LOCKUP|Uhhuh\. NMI"
)
_CPU = re.compile(rb"\bCPU[ :]?#?(\d{1,4})\b")
_RECORD_BYTES = 8192
#: Records taken at one read, so that a flood of messages cannot hold the sampler.
_MOST_RECORDS = 500
_PERIOD_SECONDS = 1.0
_DEVICE = "dev/kmsg"


@dataclass(frozen=True)
class Record:
    """One record of the log."""

    sequence: int
    text: bytes


def parse_record(raw: bytes) -> Record | None:
    """A record's sequence number and first line, or None when it is not of the stated form."""
    head, semicolon, body = raw.partition(b";")
    fields = head.split(b",")
    if not semicolon or len(fields) < 3 or not fields[1].isdigit():
        return None
    return Record(int(fields[1]), body.split(b"\n", 1)[0])


class KernelLogChip:
    """Counts hardware-error lines that appear after the run's start, and tells each."""

    name = "kernel log"
    period_seconds = _PERIOD_SECONDS
    shares_thread = True

    def __init__(self, path: Path) -> None:
        self._path = path
        self._descriptor = -1
        self._count = 0
        self._next = -1
        self._lost = 0
        self._incidents: list[Incident] = []
        self.channels = (_channel(),)

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        key = self.channels[0].key
        try:
            if self._descriptor < 0:
                self._descriptor = open_at_end(self._path)
            self._take_all(now_seconds)
        except OSError as error:
            self.close()
            return [Reading(key, None, describe(error))]
        flag = f"{self._lost} log records were overwritten unread" if self._lost else ""
        return [Reading(key, float(self._count), flag=flag)]

    def take_incidents(self) -> Sequence[Incident]:
        """See :class:`harness.sensors.contract.TellingChip`."""
        incidents, self._incidents = self._incidents, []
        return incidents

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def _take_all(self, now_seconds: float) -> None:
        for _ in range(_MOST_RECORDS):
            try:
                raw = os.read(self._descriptor, _RECORD_BYTES)
            except BlockingIOError:
                return
            except OSError as error:
                # EPIPE: the oldest unread records were overwritten; EINVAL: one too long for us.
                if error.errno not in (errno.EPIPE, errno.EINVAL):
                    raise
                continue
            if not raw:
                return
            self._take(raw, now_seconds)

    def _take(self, raw: bytes, now_seconds: float) -> None:
        record = parse_record(raw)
        if record is None:
            return
        if 0 <= self._next < record.sequence:
            self._lost += record.sequence - self._next
        self._next = record.sequence + 1
        if PATTERN.search(record.text):
            self._count += 1
            self._incidents.append(_incident(self.channels[0].key, now_seconds, record.text))


def _incident(key: str, now_seconds: float, text: bytes) -> Incident:
    cpu = _CPU.search(text)
    return Incident(
        key,
        now_seconds,
        "kernel log: " + visible(text.decode("utf-8", "replace"), 300),
        int(cpu[1]) if cpu else None,
    )


def open_at_end(path: Path) -> int:
    """The log's device, placed behind its last record: what came before is not of this run."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
    descriptor = os.open(path, flags)
    if not stat.S_ISCHR(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "not the kernel log's device", str(path))
    os.lseek(descriptor, 0, os.SEEK_END)
    return descriptor


class KernelLogSource:
    """The kernel log, where it may be read."""

    name = "kernel log"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        path = root / _DEVICE
        try:
            os.close(open_at_end(path))
        except OSError as error:
            hints = (_HINT,) if isinstance(error, PermissionError) else ()
            return Discovery(absent=(_channel(f"/{_DEVICE}: {describe(error)}"),), hints=hints)
        return Discovery(chips=(KernelLogChip(path),))


_HINT = Hint(
    "kernel log",
    "hardware-error lines of the kernel log are hidden: kernel.dmesg_restrict is 1 or /dev/kmsg is "
    "root's; membership of the group that owns /dev/kmsg, or `sysctl kernel.dmesg_restrict=0`, "
    "opens it",
)


def _channel(absent_reason: str = "") -> Channel:
    return Channel(
        key=make_key("kernel log", "", "kmsg", "hardware error lines"),
        name="hardware-error lines in the kernel log",
        unit="count",
        source="kernel log",
        counter=True,
        absent_reason=absent_reason,
    )
