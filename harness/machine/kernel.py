"""Facts of the kernel and its surroundings: version, switches, mitigations, container, power."""

from __future__ import annotations

import hashlib
import os
import platform
from pathlib import Path

from harness.machine.fact_values import (
    FactValue,
    chosen_fact,
    number_fact,
    text_fact,
    unknown,
)
from harness.sensors.files import names_in, read_text, text_or, visible

_VULNERABILITIES = "sys/devices/system/cpu/vulnerabilities"
_THP = "sys/kernel/mm/transparent_hugepage"
_SUPPLIES = "sys/class/power_supply"
_MOST_ENTRIES = 64

#: Kernel parameters that bear on speed and stability. The others may name disks, hosts or keys,
#: and a record is passed on: of them only a digest is kept, so that a change shows.
_TELLING_PARAMETERS = (
    "mitigations", "nosmt", "isolcpus", "nohz", "nohz_full", "rcu_nocbs", "intel_pstate",
    "amd_pstate", "intel_idle.", "processor.", "cpufreq.", "cpuidle.", "idle", "hugepages",
    "transparent_hugepage", "default_hugepagesz", "numa", "iommu", "intel_iommu", "amd_iommu",
     "pcie_aspm", "preempt", "threadirqs", "clocksource", "tsc", "mce", "edac",
    "spectre", "spec_", "pti", "nopti", "l1tf", "mds", "tsx", "srbds", "retbleed", "maxcpus",
    "nr_cpus", "mem", "skew_tick", "nowatchdog", "split_lock_detect", "acpi_", "pci",
)  # fmt: skip


def kernel_facts(root: Path) -> dict[str, FactValue]:
    """Version, boot id, parameters, mitigations, clock source, hardware-error polling."""
    from harness.machine.boot import boot_id
    from harness.sensors.hardware_errors import error_poll_seconds

    poll = error_poll_seconds(root)
    return {
        "system": platform.system(),
        "release": _release(root),
        "version": _version(root),
        "boot_id": boot_id(root),
        "parameters": _parameters(root),
        "mitigations": _mitigations(root),
        "clock_source": text_fact(
            root / "sys/devices/system/clocksource/clocksource0/current_clocksource"
        ),
        "hardware_error_poll_seconds": unknown("the kernel does not say") if poll is None else poll,
    }


def _release(root: Path) -> FactValue:
    return _proc_or(root, "proc/sys/kernel/osrelease", platform.release())


def _version(root: Path) -> FactValue:
    return _proc_or(root, "proc/sys/kernel/version", platform.version())


def _proc_or(root: Path, path: str, otherwise: str) -> FactValue:
    """What /proc says; elsewhere what the platform says, but only of the running machine."""
    fact = text_fact(root / path)
    own = root == Path(root.anchor)
    return visible(otherwise, 200) if own and not isinstance(fact, str) else fact


def _parameters(root: Path) -> FactValue:
    try:
        words = read_text(root / "proc/cmdline").split()
    except OSError:
        return unknown("this system does not give them")
    telling = [word for word in words if word.startswith(_TELLING_PARAMETERS)]
    others = " ".join(word for word in words if word not in telling)
    digest = hashlib.sha256(others.encode("utf-8", "replace")).hexdigest()[:16]
    return {
        "known": [visible(word, 80) for word in telling],
        "others_count": len(words) - len(telling),
        "others_digest": digest,
    }


def _mitigations(root: Path) -> FactValue:
    folder = root / _VULNERABILITIES
    try:
        names = names_in(folder)[:_MOST_ENTRIES]
    except OSError:
        names = []
    if not names:
        return unknown("this system does not give them")
    return {name: visible(text_or(folder / name, "unreadable")) for name in names}


def memory_management_facts(root: Path) -> dict[str, FactValue]:
    """Huge pages, swapping, balancing between memory nodes."""
    return {
        "transparent_huge_pages": chosen_fact(root / _THP / "enabled"),
        "transparent_huge_pages_defrag": chosen_fact(root / _THP / "defrag"),
        "swappiness": number_fact(root / "proc/sys/vm/swappiness"),
        "numa_balancing": number_fact(root / "proc/sys/kernel/numa_balancing"),
    }


def virtualization_facts(root: Path) -> dict[str, FactValue]:
    """Whether a hypervisor lies between us and the hardware, and which one where it says so."""
    try:
        flags = set(read_text(root / "proc/cpuinfo", 1 << 16).split())
    except OSError:
        flags = set()
    products = [text_or(root / "sys/class/dmi/id" / it) for it in ("sys_vendor", "product_name")]
    kind = text_or(root / "sys/hypervisor/type")
    virtual = "hypervisor" in flags or bool(kind)
    if not flags and not kind:
        silent = unknown("this system does not say")
        return {"virtual": silent, "kind": silent}
    if not virtual:
        return {"virtual": False, "kind": None}
    named = kind or " ".join(it for it in products if it)
    return {
        "virtual": True,
        "kind": visible(named) if named else unknown("the hypervisor gives no name"),
    }


def container_facts(root: Path) -> dict[str, FactValue]:
    """Limits that a control group sets: CPU time, CPUs, memory."""
    from harness.machine.memory import machine_memory, memory_limits

    total, _ = machine_memory(root)
    limits = [it.limit_bytes for it in memory_limits(root) if it.limit_bytes < total]
    return {
        "kind": _container_kind(root),
        "cpu_quota_cpus": _quota(root),
        "memory_limit_bytes": min(limits) if limits else None,
    }


def _container_kind(root: Path) -> str | None:
    if (root / ".dockerenv").exists() or (root / "run/.containerenv").exists():
        return "container"
    return visible(text_or(root / "run/systemd/container"), 40) or None


def _quota(root: Path) -> float | None:
    """CPU time a group may use, in CPUs; None without a limit (cgroup-v2.rst, ``cpu.max``)."""
    for path in ("sys/fs/cgroup/cpu.max", "sys/fs/cgroup/unified/cpu.max"):
        words = text_or(root / path).split()
        if len(words) == 2 and all(word.isdecimal() for word in words) and int(words[1]) > 0:
            return int(words[0]) / int(words[1])
    quota = text_or(root / "sys/fs/cgroup/cpu/cpu.cfs_quota_us")
    period = text_or(root / "sys/fs/cgroup/cpu/cpu.cfs_period_us")
    if quota.isdecimal() and period.isdecimal() and int(period) > 0:
        return int(quota) / int(period)
    return None


def power_facts(root: Path) -> dict[str, FactValue]:
    """Whether the machine runs on mains or on a battery (ABI/testing/sysfs-class-power)."""
    try:
        names = names_in(root / _SUPPLIES)[:_MOST_ENTRIES]
    except OSError:
        names = []
    kinds = {it: text_or(root / _SUPPLIES / it / "type") for it in names}
    mains = [it for it, kind in kinds.items() if kind in ("Mains", "USB")]
    online = [it for it in mains if text_or(root / _SUPPLIES / it / "online") == "1"]
    batteries = [it for it, kind in kinds.items() if kind == "Battery" and _powers(root, it)]
    if not batteries:
        return {"batteries": 0, "source": "no battery"}
    return {
        "batteries": len(batteries),
        "source": "mains" if online else _battery_source(root, batteries),
    }


def _powers(root: Path, name: str) -> bool:
    """False for the battery of a mouse or a headset (``scope`` is Device)."""
    return text_or(root / _SUPPLIES / name / "scope") != "Device"


def _battery_source(root: Path, batteries: list[str]) -> FactValue:
    states = {text_or(root / _SUPPLIES / it / "status") for it in batteries}
    if "Discharging" in states:
        return "battery"
    return "mains" if states & {"Charging", "Full", "Not charging"} else unknown("no state given")


def clock_is_synchronised(root: Path) -> bool | None:
    """Whether the wall clock is disciplined (adjtimex(2), TIME_ERROR); None where unknown."""
    if not hasattr(os, "sched_getaffinity") or root != Path(root.anchor):
        return None
    import ctypes

    buffer = (ctypes.c_byte * 512)()  # larger than struct timex; modes 0 only reads
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(buffer)
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != 5  # TIME_ERROR: the clock is not synchronised
