"""Facts of the processor: what it is, what was switched on, how its clock is governed."""

from __future__ import annotations

import platform
from collections.abc import Callable
from pathlib import Path

from harness.machine.cpu_lists import format_cpu_list
from harness.machine.fact_values import (
    FactValue,
    converted,
    number_fact,
    text_fact,
    unknown,
)
from harness.sensors.files import names_in, read_text, text_or, visible

_CPUFREQ = "sys/devices/system/cpu/cpufreq"
_CPU = "sys/devices/system/cpu"
_MOST_POLICIES = 8192
_CPUINFO_BYTES = 1 << 16

#: Lines of /proc/cpuinfo (x86 and Arm name them differently) to the fact's name.
_LINES = {
    "vendor": ("vendor_id", "CPU implementer"),
    "model": ("model name", "Model", "cpu"),
    "family": ("cpu family", "CPU architecture"),
    "model_number": ("model", "CPU part"),
    "stepping": ("stepping", "CPU revision"),
    "variant": ("CPU variant",),
    "microcode": ("microcode",),
}
#: Features that decide which code path a kernel takes.
_FEATURES = (
    "sse4_2", "avx", "avx2", "fma", "avx512f", "avx512_vnni", "avx512_bf16", "avx_vnni", "amx_tile",
    "aes", "sha_ni", "bmi2", "asimd", "sve", "sve2", "crc32", "sha2", "hypervisor", "constant_tsc",
    "nonstop_tsc", "aperfmperf",
)  # fmt: skip


def cpu_facts(root: Path) -> dict[str, FactValue]:
    """Vendor, model, stepping, microcode and features of the first processor."""
    try:
        lines = parse_cpuinfo(read_text(root / "proc/cpuinfo", _CPUINFO_BYTES))
    except OSError:
        return _facts_elsewhere()
    facts: dict[str, FactValue] = {}
    for name, keys in _LINES.items():
        value = next((lines[key] for key in keys if lines.get(key)), "")
        if value or name in ("vendor", "model", "stepping", "microcode"):
            facts[name] = visible(value) if value else unknown("no such line in /proc/cpuinfo")
    words = set((lines.get("flags") or lines.get("Features") or "").split())
    facts["features"] = [name for name in _FEATURES if name in words]
    facts["architecture"] = platform.machine()
    return facts


def parse_cpuinfo(text: str) -> dict[str, str]:
    """The first processor's lines; lines behind its paragraph (as on Arm) fill what it lacks."""
    lines: dict[str, str] = {}
    for line in text.splitlines():
        name, colon, value = line.partition(":")
        if colon:
            lines.setdefault(name.strip(), value.strip())
    return lines


def _facts_elsewhere() -> dict[str, FactValue]:
    model = visible(platform.processor())
    why = "this system does not give it"
    return {
        "vendor": unknown(why),
        "model": model or unknown(why),
        "stepping": unknown(why),
        "microcode": unknown(why),
        "architecture": platform.machine(),
    }


def frequency_facts(root: Path) -> dict[str, FactValue]:
    """How the clock is governed; policies that are alike are one line. No momentary clock."""
    return {
        "policies": _policies(root),
        "boost": _boost(root),
        "driver_status": text_fact(root / _CPU / "intel_pstate/status")
        if (root / _CPU / "intel_pstate").exists()
        else text_fact(root / _CPU / "amd_pstate/status"),
        "idle_driver": text_fact(root / _CPU / "cpuidle/current_driver"),
        "smt": text_fact(root / _CPU / "smt/control"),
    }


def _policies(root: Path) -> FactValue:
    try:
        names = [it for it in names_in(root / _CPUFREQ) if it.startswith("policy")]
    except OSError:
        names = []
    if not names:
        return unknown("no frequency policy: the system hides how its clock is governed")
    groups: dict[tuple[tuple[str, FactValue], ...], list[int]] = {}
    for name in names[:_MOST_POLICIES]:
        groups.setdefault(_policy(root / _CPUFREQ / name), []).extend(_cpus_of(root, name))
    return [{"cpus": format_cpu_list(cpus), **dict(policy)} for policy, cpus in groups.items()]


def _policy(path: Path) -> tuple[tuple[str, FactValue], ...]:
    """One policy's settings; a tuple of plain values, so that equal policies meet."""
    values = {
        "driver": text_or(path / "scaling_driver") or None,
        "governor": text_or(path / "scaling_governor") or None,
        "preference": text_or(path / "energy_performance_preference") or None,
        "lowest_hz": _plain(number_fact(path / "scaling_min_freq", 1_000)),
        "highest_hz": _plain(number_fact(path / "scaling_max_freq", 1_000)),
        "hardware_highest_hz": _plain(number_fact(path / "cpuinfo_max_freq", 1_000)),
    }
    return tuple((name, value) for name, value in values.items() if value is not None)


def _plain(value: FactValue) -> int | None:
    return value if isinstance(value, int) else None


def _cpus_of(root: Path, name: str) -> list[int]:
    words = text_or(root / _CPUFREQ / name / "related_cpus").split()
    cpus = [int(word) for word in words if word.isdecimal() and len(word) < 6]
    return cpus or ([int(name[6:])] if name[6:].isdecimal() else [])


def _boost(root: Path) -> FactValue:
    """True when clocks above the nominal one are allowed; two drivers say it in opposite words."""
    boost = root / _CPUFREQ / "boost"
    if boost.exists():
        return converted(boost, _is_one)
    return converted(root / _CPU / "intel_pstate/no_turbo", _is_zero)


_is_one: Callable[[str], FactValue] = lambda text: int(text) == 1  # noqa: E731
_is_zero: Callable[[str], FactValue] = lambda text: int(text) == 0  # noqa: E731
