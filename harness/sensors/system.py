"""Load and memory of the whole machine.

On Linux from /proc below the root (Documentation/filesystems/proc.rst), so that a tree made for a
test speaks for itself; elsewhere from psutil, which knows the other systems.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, Reading
from harness.sensors.files import Attribute, describe
from harness.sensors.keys import make_key
from harness.sensors.rates import PERIOD_SECONDS, Rate

_ITEMS = {
    "cpu_busy": ("CPU time in use, all CPUs", "%"),
    "memory_available": ("memory available", "B"),
    "swap_used": ("swap in use", "B"),
}
_KIB = 1024
_STAT_BYTES = 512
#: Columns of the `cpu` line that are no work: idle and iowait.
_IDLE_COLUMNS = (3, 4)


class BusyShare:
    """Share of CPU time in use between two readings of idle and total time; pure."""

    def __init__(self) -> None:
        self._idle = Rate()
        self._total = Rate()

    def feed(self, idle: float, total: float, now_seconds: float) -> tuple[float | None, str]:
        """Percent of all CPUs' time in use since the last reading, or None and why."""
        idle_rate, why = self._idle.feed(idle, now_seconds)
        total_rate, _ = self._total.feed(total, now_seconds)
        if idle_rate is None or total_rate is None:
            return None, why or "the total fell: it was reset"
        if total_rate <= 0:
            return None, "no CPU time has passed since the last reading"
        return min(max(100.0 * (1 - idle_rate / total_rate), 0.0), 100.0), ""


def parse_stat(text: bytes) -> tuple[float, float]:
    """Idle and total time, in the kernel's ticks, from the first line of /proc/stat.

    Guest time (columns 9 and 10) is already inside user time. Raises ValueError.
    """
    words = text.split(b"\n", 1)[0].split()
    if len(words) < 6 or words[0] != b"cpu":
        raise ValueError("the first line is not that of all CPUs")
    ticks = [int(word) for word in words[1:9]]
    return float(sum(ticks[column] for column in _IDLE_COLUMNS)), float(sum(ticks))


def parse_meminfo(text: bytes) -> dict[str, int]:
    """Bytes by name from /proc/meminfo; lines of another form are left out."""
    amounts: dict[str, int] = {}
    for line in text.split(b"\n"):
        name, colon, rest = line.partition(b":")
        words = rest.split()
        if colon and words and words[0].isdigit() and len(words[0]) < 20:
            scale = _KIB if words[1:] == [b"kB"] else 1
            amounts[name.decode("ascii", "replace")] = int(words[0]) * scale
    return amounts


class ProcChip:
    """/proc/stat and /proc/meminfo."""

    name = "system load and memory"
    period_seconds = PERIOD_SECONDS
    shares_thread = True

    def __init__(self, root: Path) -> None:
        self._stat = Attribute(root / "proc/stat")
        self._meminfo = Attribute(root / "proc/meminfo")
        self._busy = BusyShare()
        self.channels = tuple(_channel(item) for item in _ITEMS)

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        keys = [channel.key for channel in self.channels]
        return [self._read_busy(keys[0], now_seconds), *self._read_memory(keys[1], keys[2])]

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`."""
        self._stat.close()
        self._meminfo.close()

    def _read_busy(self, key: str, now_seconds: float) -> Reading:
        try:
            idle, total = parse_stat(self._stat.read(_STAT_BYTES))
        except OSError as error:
            return Reading(key, None, describe(error))
        except ValueError as error:
            return Reading(key, None, f"/proc/stat: {error}")
        return Reading(key, *self._busy.feed(idle, total, now_seconds))

    def _read_memory(self, available_key: str, swap_key: str) -> list[Reading]:
        try:
            amounts = parse_meminfo(self._meminfo.read())
        except OSError as error:
            return [Reading(key, None, describe(error)) for key in (available_key, swap_key)]
        missing = "not a line of /proc/meminfo"
        free, total = amounts.get("SwapFree"), amounts.get("SwapTotal")
        used = None if free is None or total is None else float(total - free)
        available = amounts.get("MemAvailable")
        return [
            Reading(available_key, _as_float(available), "" if available is not None else missing),
            Reading(swap_key, used, missing if used is None else ""),
        ]


def _as_float(amount: int | None) -> float | None:
    return None if amount is None else float(amount)


class PsutilChip:
    """The same three channels where there is no /proc."""

    name = "system load and memory"
    period_seconds = PERIOD_SECONDS
    shares_thread = True

    def __init__(self) -> None:
        self._busy = BusyShare()
        self.channels = tuple(_channel(item) for item in _ITEMS)

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        import psutil

        reads: list[Callable[[], tuple[float | None, str]]] = [
            lambda: self._read_busy(now_seconds),
            lambda: (float(psutil.virtual_memory().available), ""),
            lambda: (float(psutil.swap_memory().used), ""),
        ]
        return [
            _attempt(channel.key, read) for channel, read in zip(self.channels, reads, strict=True)
        ]

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`; nothing is kept open."""

    def _read_busy(self, now_seconds: float) -> tuple[float | None, str]:
        import psutil

        times = psutil.cpu_times()
        idle = times.idle + getattr(times, "iowait", 0.0)
        guest = getattr(times, "guest", 0.0) + getattr(times, "guest_nice", 0.0)
        return self._busy.feed(idle, sum(times) - guest, now_seconds)


def _attempt(key: str, read: Callable[[], tuple[float | None, str]]) -> Reading:
    try:
        return Reading(key, *read())
    except OSError as error:
        return Reading(key, None, describe(error))


class SystemSource:
    """CPU time in use, available memory, swap."""

    name = "system"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        if (root / "proc/stat").is_file():
            return Discovery(chips=(ProcChip(root),))
        if root == Path(root.anchor):
            return Discovery(chips=(PsutilChip(),))
        why = "the tree given as root has no /proc/stat"
        return Discovery(absent=tuple(_channel(item, why) for item in _ITEMS))


def _channel(item: str, absent_reason: str = "") -> Channel:
    name, unit = _ITEMS[item]
    return Channel(
        key=make_key("system", "", "system", item),
        name=name,
        unit=unit,
        source="system",
        absent_reason=absent_reason,
    )
