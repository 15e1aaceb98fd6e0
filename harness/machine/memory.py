"""How much memory may be used: the machine's, and less where a control group says so.

Sources: Documentation/filesystems/proc.rst (MemAvailable), Documentation/admin-guide/cgroup-v2.rst
(`memory.max`, `memory.high`, `memory.current`) and cgroup-v1/memory.rst
(`memory.limit_in_bytes`, `memory.usage_in_bytes`). A limit counts at every level up to the root.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from harness.sensors.files import number_or_none, read_text, text_or
from harness.sensors.system import parse_meminfo

_V2 = ("memory.max", "memory.high"), "memory.current"
_V1 = ("memory.limit_in_bytes",), "memory.usage_in_bytes"
_MOST_LEVELS = 32


@dataclass(frozen=True)
class MemoryLimit:
    """One control group's limit, in bytes, and what it uses already."""

    group: str
    limit_bytes: int
    used_bytes: int

    @property
    def left_bytes(self) -> int:
        """What may still be allocated inside the group."""
        return max(self.limit_bytes - self.used_bytes, 0)


def available_memory_bytes(root: Path = Path("/")) -> int:
    """Bytes that may be allocated without pushing anything out, limits of the group included."""
    total, available = machine_memory(root)
    left = [it.left_bytes for it in memory_limits(root) if it.limit_bytes < total]
    return min([available, *left])


def machine_memory(root: Path = Path("/")) -> tuple[int, int]:
    """Total and available bytes of the machine, from /proc below `root` or, elsewhere, psutil."""
    try:
        amounts = parse_meminfo(read_text(root / "proc/meminfo").encode())
        return amounts["MemTotal"], amounts["MemAvailable"]
    except (OSError, KeyError):
        import psutil

        memory = psutil.virtual_memory()
        return int(memory.total), int(memory.available)


def memory_limits(root: Path = Path("/")) -> tuple[MemoryLimit, ...]:
    """Limits of the control groups this process is in, the innermost first; empty without any."""
    limits = []
    for folder, (limit_files, usage_file) in _groups(root):
        values = [number_or_none(folder / name) for name in limit_files]
        known = [value for value in values if value is not None and value >= 0]
        if known:
            used = (number_or_none(folder / usage_file) or 0) - _reclaimable(folder)
            limits.append(MemoryLimit(str(folder.relative_to(root)), min(known), max(used, 0)))
    return tuple(limits)


def _reclaimable(folder: Path) -> int:
    """Page cache that the group uses and that gives way at once: it is no use of memory."""
    amounts: dict[str, int] = {}
    for line in text_or(folder / "memory.stat").splitlines():
        name, _, value = line.partition(" ")
        if value.isdecimal() and len(value) < 20:
            amounts[name] = int(value)
    return amounts.get("total_inactive_file", amounts.get("inactive_file", 0))


def _groups(root: Path) -> Iterator[tuple[Path, tuple[tuple[str, ...], str]]]:
    """Folders of the memory groups of this process, with the names of their files."""
    mount = root / "sys/fs/cgroup"
    for line in text_or(root / "proc/self/cgroup").splitlines():
        number, _, rest = line.partition(":")
        controllers, _, path = rest.partition(":")
        if number == "0" and not controllers:
            for base in (mount, mount / "unified"):
                yield from ((folder, _V2) for folder in levels_upwards(base, path))
        elif "memory" in controllers.split(","):
            yield from ((folder, _V1) for folder in levels_upwards(mount / "memory", path))


def levels_upwards(base: Path, path: str) -> Iterator[Path]:
    """A group's folder and those above it. Inside a container the path may lie out of sight."""
    relative = PurePosixPath(path.lstrip("/"))
    if ".." in relative.parts:
        relative = PurePosixPath()
    for part in [relative, *relative.parents][:_MOST_LEVELS]:
        yield base / part
