"""How the CPUs of a machine lie: packages, dies, cores, threads, caches, memory nodes.

Source: Documentation/admin-guide/cputopology.rst and ABI/testing/sysfs-devices-system-cpu.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.machine.cpu_lists import parse_cpu_list
from harness.machine.fact_values import FactValue, unknown
from harness.sensors.files import names_in, number_or_none, text_or

_CPUS = "sys/devices/system/cpu"
_NODES = "sys/devices/system/node"
_MOST_CPUS = 8192
_MOST_CACHES = 16
_SILENT = unknown("this system does not say")
_SIZE_UNITS = {"K": 1024, "M": 1024**2, "G": 1024**3}


@dataclass(frozen=True)
class CpuPlace:
    """Where one logical CPU lies; None where the system does not say."""

    cpu: int
    core: int | None
    die: int | None
    package: int | None
    node: int | None
    siblings: tuple[int, ...]
    #: Relative strength of unequal cores (1024 is the strongest), None where all are alike.
    capacity: int | None = None


@dataclass(frozen=True)
class Cache:
    """One cache and the CPUs that share it."""

    level: int
    kind: str
    size_bytes: int | None
    cpus: tuple[int, ...]


@dataclass(frozen=True)
class Topology:
    """All online CPUs and their caches; `reason` says why it is empty."""

    cpus: tuple[CpuPlace, ...]
    caches: tuple[Cache, ...]
    reason: str = ""

    @property
    def threads(self) -> int:
        """Logical CPUs."""
        return len(self.cpus)

    @property
    def cores(self) -> int:
        """Physical cores."""
        places = [(it.package, it.die, it.cpu if it.core is None else it.core) for it in self.cpus]
        return len(set(places))

    def capacities(self) -> list[int]:
        """The different strengths of unequal cores; empty where all are alike."""
        found = sorted({it.capacity for it in self.cpus if it.capacity is not None})
        return found if len(found) > 1 else []

    def as_facts(self) -> dict[str, Any]:
        """The topology as nested plain values."""
        return {
            "threads": self.threads,
            "cores": self.cores,
            "packages": _distinct(it.package for it in self.cpus),
            "dies": _distinct(None if it.die is None else (it.package, it.die) for it in self.cpus),
            "memory_nodes": _distinct(it.node for it in self.cpus),
            "threads_per_core": max((len(it.siblings) for it in self.cpus), default=0) or _SILENT,
            "capacities": self.capacities() or None,
            "caches": _cache_facts(self.caches),
        }


def read_topology(root: Path = Path("/")) -> Topology:
    """The topology below `root`; empty, with the reason, where there is none."""
    folder = root / _CPUS
    names = [it for it in _listed(folder) if it[:3] == "cpu" and it[3:].isdecimal()]
    online = _online(folder, [int(it[3:]) for it in names[:_MOST_CPUS]])
    if not online:
        return Topology((), (), f"/{_CPUS} lists no CPU")
    nodes = _nodes(root)
    places = tuple(_place(folder / f"cpu{cpu}", cpu, nodes.get(cpu)) for cpu in online)
    return Topology(places, _caches(folder, online))


def _listed(folder: Path) -> list[str]:
    try:
        return names_in(folder)
    except OSError:
        return []


def _online(folder: Path, present: list[int]) -> list[int]:
    online = _cpu_list(folder / "online")
    return [cpu for cpu in sorted(present) if not online or cpu in online]


def _cpu_list(path: Path) -> tuple[int, ...]:
    try:
        return parse_cpu_list(text_or(path))
    except ValueError:
        return ()


def _place(path: Path, cpu: int, node: int | None) -> CpuPlace:
    topology = path / "topology"
    return CpuPlace(
        cpu=cpu,
        core=number_or_none(topology / "core_id"),
        die=_not_negative(number_or_none(topology / "die_id")),
        package=_not_negative(number_or_none(topology / "physical_package_id")),
        node=node,
        siblings=_cpu_list(topology / "thread_siblings_list"),
        capacity=number_or_none(path / "cpu_capacity"),
    )


def _not_negative(number: int | None) -> int | None:
    """The kernel writes -1 where the firmware says nothing."""
    return number if number is None or number >= 0 else None


def _nodes(root: Path) -> dict[int, int]:
    names = [it for it in _listed(root / _NODES) if it[:4] == "node" and it[4:].isdecimal()]
    return {
        cpu: int(name[4:]) for name in names for cpu in _cpu_list(root / _NODES / name / "cpulist")
    }


def _caches(folder: Path, cpus: Iterable[int]) -> tuple[Cache, ...]:
    found: dict[tuple[int, str, tuple[int, ...]], Cache] = {}
    for cpu in cpus:
        for index in range(_MOST_CACHES):
            cache = _cache(folder / f"cpu{cpu}/cache/index{index}")
            if cache is None:
                break
            found.setdefault((cache.level, cache.kind, cache.cpus or (cpu,)), cache)
    return tuple(found.values())


def _cache(path: Path) -> Cache | None:
    level = number_or_none(path / "level")
    if level is None:
        return None
    return Cache(
        level,
        text_or(path / "type", "unknown"),
        _size(path / "size"),
        _cpu_list(path / "shared_cpu_list"),
    )


def _size(path: Path) -> int | None:
    text = text_or(path)
    digits = text[:-1] if text[-1:] in _SIZE_UNITS else text
    if not digits.isdecimal() or len(digits) > 15:
        return None
    return int(digits) * _SIZE_UNITS.get(text[-1:], 1)


def _cache_facts(caches: Iterable[Cache]) -> list[dict[str, Any]]:
    """Caches that are alike as one line: level, kind, size, how many, shared by how many CPUs."""
    counts: dict[tuple[int, str, int | None, int], int] = {}
    for it in caches:
        key = (it.level, it.kind, it.size_bytes, max(len(it.cpus), 1))
        counts[key] = counts.get(key, 0) + 1
    return [
        {
            "level": key[0],
            "kind": key[1],
            "size_bytes": key[2],
            "shared_by_cpus": key[3],
            "count": counts[key],
        }
        for key in sorted(counts, key=lambda key: (key[0], key[1], key[3], key[2] or 0))
    ]


def _distinct(values: Iterable[Any]) -> FactValue:
    found = {value for value in values if value is not None}
    return len(found) or _SILENT
