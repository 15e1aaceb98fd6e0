"""Facts of the kernel and its surroundings: version, switches, mitigations, container, power."""

from __future__ import annotations

import hashlib
import os
import platform
from collections.abc import Iterator
from pathlib import Path

from harness.machine.fact_values import (
    FactValue,
    chosen_fact,
    number_fact,
    text_fact,
    unknown,
)
from harness.sensors.files import names_in, read_text, text_or, visible, whole_number

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

#: Words in what a guest's firmware calls its maker and product, for processors without a flag;
#: common practice and from memory, no source.
_GUESTS = (
    "qemu", "kvm", "virtual", "vmware", "xen", "hvm", "bochs", "bhyve", "openstack",
    "compute engine",
)  # fmt: skip
#: Machines for rent, of which the bare ones say so in their product name.
_RENTED, _RENTED_BARE = ("amazon ec2",), ".metal"
#: Where a device tree is shown (ABI/testing/sysfs-firmware-ofw), and the board that guests are
#: given in it (Documentation/devicetree/bindings, ``linux,dummy-virt``).
_DEVICE_TREES = ("sys/firmware/devicetree/base", "proc/device-tree")
_DUMMY_BOARD = "dummy-virt"


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
    """Whether a hypervisor lies between us and the hardware, and which one where it says so.

    x86 processors have a flag for it (``hypervisor``, CPUID leaf 1, ECX bit 31), whose absence
    tells a bare machine. Others have none: there only what firmware or a device tree say can show
    a guest, and their silence shows nothing.
    """
    flags = _x86_flags(root)
    products = [text_or(root / "sys/class/dmi/id" / it) for it in ("sys_vendor", "product_name")]
    kind = text_or(root / "sys/hypervisor/type") or _device_tree_guest(root)
    product = " ".join(it for it in products if it)
    if kind or "hypervisor" in flags or (not flags and _is_guest(product)):
        named = kind or product
        nameless = unknown("the hypervisor gives no name")
        return {"virtual": True, "kind": visible(named) if named else nameless}
    if flags:
        return {"virtual": False, "kind": None}
    silent = unknown("neither the processor nor the firmware says")
    return {"virtual": silent, "kind": silent}


def _x86_flags(root: Path) -> set[str]:
    """The first processor's flags; empty where it is no x86 or nothing is told."""
    try:
        lines = read_text(root / "proc/cpuinfo", 1 << 16).splitlines()
    except OSError:
        return set()
    for line in lines:
        name, colon, flags = line.partition(":")
        if colon and name.strip() == "flags":
            return set(flags.split())
    return set()


def _is_guest(product: str) -> bool:
    text = product.lower()
    rented = any(word in text for word in _RENTED) and _RENTED_BARE not in text
    return rented or any(word in text for word in _GUESTS)


def _device_tree_guest(root: Path) -> str:
    """The ``compatible`` of the node that hypervisors add, or of a board that no maker builds."""
    for tree in _DEVICE_TREES:
        named = text_or(root / tree / "hypervisor/compatible").replace("\0", " ").strip()
        board = text_or(root / tree / "compatible").replace("\0", " ").strip()
        if named or _DUMMY_BOARD in board:
            return named or board
    return ""


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
    """CPU time that this process may use, in CPUs; None without a limit.

    Sources: cgroup-v2.rst (``cpu.max``) and sched-bwc.rst (``cpu.cfs_quota_us``). The smallest
    quota on the way from the process's own group up to the root holds.
    """
    quotas = [_quota_of(folder) for folder in _cpu_groups(root)]
    return min((it for it in quotas if it is not None), default=None)


def _cpu_groups(root: Path) -> Iterator[Path]:
    """Folders of the groups of this process that may limit its CPU time, and of the roots."""
    from harness.machine.memory import levels_upwards

    mount = root / "sys/fs/cgroup"
    newer, older = (mount, mount / "unified"), (mount / "cpu", mount / "cpu,cpuacct")
    yield from (*newer, *older)
    for line in text_or(root / "proc/self/cgroup").splitlines():
        number, _, rest = line.partition(":")
        controllers, _, path = rest.partition(":")
        if number == "0" and not controllers:
            yield from (folder for base in newer for folder in levels_upwards(base, path))
        elif "cpu" in controllers.split(","):
            yield from (folder for base in older for folder in levels_upwards(base, path))


def _quota_of(folder: Path) -> float | None:
    words = text_or(folder / "cpu.max").split()
    if len(words) == 2:
        return _ratio(words[0], words[1])
    quota = text_or(folder / "cpu.cfs_quota_us")
    return _ratio(quota, text_or(folder / "cpu.cfs_period_us"))


def _ratio(quota_us: str, period_us: str) -> float | None:
    """CPUs' worth of time; None where there is no limit (``max``, -1) or no such number."""
    quota, period = whole_number(quota_us), whole_number(period_us)
    if quota is None or period is None or quota < 0 or period <= 0:
        return None
    return quota / period


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
