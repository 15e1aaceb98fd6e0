"""What a careful person would point out before a run begins.

Each warning names what was seen and what can be done; none of them stops a run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.machine.cpu_lists import format_cpu_list, parse_cpu_list
from harness.machine.fact_values import known_or_none
from harness.machine.kernel import (
    clock_is_synchronised,
    container_facts,
    power_facts,
    virtualization_facts,
)
from harness.sensors.files import names_in, number_or_none, text_or, visible

#: Less free space than this may end a long run's record (common practice, no source).
_LOW_DISK_BYTES = 1 << 30
#: Processes that use more than this share of a CPU disturb trials (common practice, no source).
_BUSY_SHARE = 0.10
#: Over how long that is looked at.
_LOOK_SECONDS = 0.2
_CPUFREQ = "sys/devices/system/cpu/cpufreq"
_CPU = "sys/devices/system/cpu"


@dataclass(frozen=True)
class MachineWarning:
    """`name` is stable for scripts; `text` is for people; `remedy` says what to do."""

    name: str
    text: str
    remedy: str


def pre_run_warnings(
    root: Path = Path("/"),
    *,
    storage: Path | None = None,
    cpus: Sequence[int | None] = (),
    busy: Callable[[], float | None] | None = None,
) -> tuple[MachineWarning, ...]:
    """Warnings about the machine below `root`.

    `storage` is where the record goes; `cpus` are those the run may use; `busy` measures how many
    CPUs other processes keep busy (tests give their own; None where it cannot be known).
    """
    root = root.absolute()
    look = busy or (lambda: busy_cpus(root))
    return (
        *_power(root),
        *_governor(root),
        *_busy(look()),
        *_virtual(root),
        *_container(root),
        *_throttled(root),
        *_fewer_cpus(root, cpus),
        *_offline_cpus(root),
        *_low_disk(storage),
        *_clock(root),
    )


def busy_cpus(root: Path) -> float | None:
    """How many CPUs are in use just now by everything but this process, over a short look."""
    from harness.clock import SYSTEM
    from harness.sensors.files import read_bytes
    from harness.sensors.system import parse_stat

    def look() -> tuple[float, float]:
        return parse_stat(read_bytes(root / "proc/stat", 512))

    try:
        idle, total = look()
        SYSTEM.sleep(_LOOK_SECONDS)
        idle_then, total_then = look()
    except (OSError, ValueError):
        return None
    ticks = total_then - total
    count = len([it for it in names_in(root / _CPU) if it[:3] == "cpu" and it[3:].isdecimal()])
    if ticks <= 0 or not count:
        return None
    return max(1 - (idle_then - idle) / ticks, 0.0) * count


def _power(root: Path) -> Iterator[MachineWarning]:
    if power_facts(root)["source"] == "battery":
        yield MachineWarning(
            "on battery",
            "the machine runs on its battery: clocks may be held down, and a long load empties it",
            "connect mains power",
        )


def _governor(root: Path) -> Iterator[MachineWarning]:
    slow = [policy for policy in _policies(root) if _is_slow(root / _CPUFREQ / policy)]
    if slow:
        governor = visible(text_or(root / _CPUFREQ / slow[0] / "scaling_governor"), 30)
        yield MachineWarning(
            "powersave governor",
            f"{len(slow)} frequency policies are governed by '{governor}': clocks are held down or "
            "follow the load late",
            "choose the performance governor while measuring, or state that this is wanted",
        )


def _policies(root: Path) -> list[str]:
    try:
        return [it for it in names_in(root / _CPUFREQ) if it.startswith("policy")]
    except OSError:
        return []


def _is_slow(policy: Path) -> bool:
    """`powersave` holds clocks down, except in drivers that govern themselves by a preference."""
    if text_or(policy / "scaling_governor") != "powersave":
        return False
    preference = text_or(policy / "energy_performance_preference")
    return preference in ("", "power", "balance_power")


def _busy(cpus: float | None) -> Iterator[MachineWarning]:
    if cpus is not None and cpus > _BUSY_SHARE:
        yield MachineWarning(
            "other processes busy",
            f"other processes use {cpus:.1f} CPUs just now: trials will be disturbed",
            "close other programs; disturbed trials are named by their run delay",
        )


def _virtual(root: Path) -> Iterator[MachineWarning]:
    facts = virtualization_facts(root)
    if facts["virtual"] is True:
        kind = known_or_none(facts["kind"])
        named = f" ({kind})" if kind else ""
        yield MachineWarning(
            "virtual machine",
            f"this is a virtual machine{named}: its speed depends on its neighbours, and sensors "
            "are mostly hidden",
            "measure on the bare machine to qualify hardware",
        )


def _container(root: Path) -> Iterator[MachineWarning]:
    quota = container_facts(root)["cpu_quota_cpus"]
    if quota is not None:
        yield MachineWarning(
            "CPU time limited",
            f"a control group limits this process to the time of {quota:g} CPUs",
            "raise the limit, or use no more lanes than that",
        )


def _throttled(root: Path) -> Iterator[MachineWarning]:
    counts = [
        number_or_none(root / _CPU / name / "thermal_throttle" / item) or 0
        for name in names_in(root / _CPU)
        if name[:3] == "cpu" and name[3:].isdecimal()
        for item in ("core_throttle_count", "package_throttle_count")
    ]
    if any(counts):
        yield MachineWarning(
            "throttled already",
            f"the processor has slowed down for heat up to {max(counts)} times since it started",
            "look at the cooler; the run counts from its own start",
        )


def _fewer_cpus(root: Path, cpus: Sequence[int | None]) -> Iterator[MachineWarning]:
    from harness.machine.topology import read_topology

    threads = read_topology(root).threads
    if cpus and 0 < len(cpus) < threads:
        yield MachineWarning(
            "fewer CPUs than the machine has",
            f"this process may use {len(cpus)} of {threads} CPUs: the machine is not fully loaded",
            "start it without taskset, or outside the container",
        )


def _offline_cpus(root: Path) -> Iterator[MachineWarning]:
    """``present`` are those found, ``online`` those in use (ABI sysfs-devices-system-cpu)."""
    try:
        present, online = (
            set(parse_cpu_list(text_or(root / _CPU / it))) for it in ("present", "online")
        )
    except ValueError:
        return
    missing = present - online
    if online and missing:
        yield MachineWarning(
            "CPUs offline",
            f"{len(missing)} CPUs of the machine are switched off ({format_cpu_list(missing)}): "
            "they are neither loaded nor tested",
            "switch them on, or start the kernel without maxcpus and nosmt",
        )


def _low_disk(storage: Path | None) -> Iterator[MachineWarning]:
    import shutil

    if storage is None:
        return
    existing = next((it for it in (storage, *storage.absolute().parents) if it.exists()), None)
    if existing is None:
        return
    free = shutil.disk_usage(existing).free
    if free < _LOW_DISK_BYTES:
        yield MachineWarning(
            "low disk",
            f"{free / 2**20:.0f} MiB are free where the record goes: a long run may fill it",
            "free some space, or choose another folder with --runs-dir",
        )


def _clock(root: Path) -> Iterator[MachineWarning]:
    if clock_is_synchronised(root) is False:
        yield MachineWarning(
            "clock not synchronised",
            "the wall clock is not synchronised: times of day in the record may be wrong "
            "(durations are not affected)",
            "turn on the system's time service",
        )
