"""Clocks as the kernel states them, below /sys/devices/system/cpu/cpufreq.

Sources: Documentation/admin-guide/pm/cpufreq.rst and ABI/testing/sysfs-devices-system-cpu.
`cpuinfo_avg_freq` is an average that the hardware counted; `cpuinfo_cur_freq` asks the hardware
(root only); `scaling_cur_freq` is in general the frequency last *requested*, except on x86
processors with the aperfmperf counters, where the kernel gives a counted average there.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, DriverLimit
from harness.sensors.files import (
    describe,
    names_in,
    number_or_none,
    read_text,
    text_or,
    visible,
    whole_number,
)
from harness.sensors.gauge import Gauge, GaugeChip
from harness.sensors.keys import make_key

_FOLDER = "sys/devices/system/cpu/cpufreq"
_MOST_POLICIES = 1024
COUNTED = "counted average"
REQUESTED = "request"


@dataclass(frozen=True)
class _Policy:
    path: Path
    cpu: int
    cpus: str
    driver: str


class CpufreqSource:
    """One channel for each frequency policy (a group of CPUs that share a clock)."""

    name = "cpufreq"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        try:
            names = [it for it in names_in(root / _FOLDER) if whole_number(it[6:]) is not None]
        except OSError as error:
            return Discovery(absent=(_absent(f"cannot be listed: {describe(error)}"),))
        paths = [root / _FOLDER / it for it in names if it.startswith("policy")]
        counted = _has_aperfmperf(root)
        gauges: list[Gauge] = []
        limits: list[DriverLimit] = []
        for policy in map(_policy, paths[:_MOST_POLICIES]):
            if (gauge := _gauge(policy, counted)) is not None:
                gauges.append(gauge)
                limits += _limits(policy, gauge.channel)
        if not gauges:
            return Discovery(absent=(_absent("no frequency policy: the system hides its clock"),))
        return Discovery(chips=(GaugeChip("frequency policies", gauges),), limits=tuple(limits))


def _policy(path: Path) -> _Policy:
    return _Policy(
        path=path,
        cpu=int(path.name[6:]),
        cpus=text_or(path / "related_cpus"),
        driver=text_or(path / "scaling_driver", "cpufreq"),
    )


def _gauge(policy: _Policy, counted: bool) -> Gauge | None:
    item, kind = _best_file(policy.path, counted)
    if not item:
        return None
    channel = _channel(policy, item, kind)
    return Gauge(channel, policy.path / item, multiplier=1_000, explain=_explain)


def _explain(error: OSError) -> str:
    """Some processors count nothing while a CPU is idle or offline, and say so by EAGAIN."""
    if error.errno == errno.EAGAIN:
        return f"{describe(error)}: the CPU is idle, nothing was counted"
    return describe(error)


def _best_file(path: Path, counted: bool) -> tuple[str, str]:
    """The most truthful file of a policy and what its number is."""
    if (path / "cpuinfo_avg_freq").exists():
        return "cpuinfo_avg_freq", COUNTED
    if counted and (path / "scaling_cur_freq").exists():
        return "scaling_cur_freq", COUNTED
    if _readable(path / "cpuinfo_cur_freq"):
        return "cpuinfo_cur_freq", "asked of the hardware"
    if (path / "scaling_cur_freq").exists():
        return "scaling_cur_freq", REQUESTED
    return "", ""


def _readable(path: Path) -> bool:
    try:
        return bool(read_text(path))
    except OSError:
        return False


def _channel(policy: _Policy, item: str, kind: str) -> Channel:
    which = _which(policy)
    return Channel(
        key=make_key("cpufreq", f"cpu{policy.cpu}", policy.driver, item, kind),
        name=f"{which} clock ({kind})",
        unit="Hz",
        source="cpufreq",
        cpu=policy.cpu,
    )


def _which(policy: _Policy) -> str:
    """The policy's CPUs for people: ``CPU 3``, ``CPUs 4-7``, ``CPUs 0 2 4``."""
    cpus = [int(word) for word in policy.cpus.split() if word.isdecimal() and len(word) < 6]
    if len(cpus) < 2:
        return f"CPU {policy.cpu}"
    if cpus == list(range(cpus[0], cpus[0] + len(cpus))):
        return f"CPUs {cpus[0]}-{cpus[-1]}"
    return visible("CPUs " + " ".join(map(str, cpus)), 60)


def _limits(policy: _Policy, channel: Channel) -> list[DriverLimit]:
    values = {
        "lowest": number_or_none(policy.path / "cpuinfo_min_freq"),
        "highest": number_or_none(policy.path / "cpuinfo_max_freq"),
    }
    return [
        DriverLimit(channel.key, name, value * 1_000.0, "Hz")
        for name, value in values.items()
        if value is not None
    ]


def _has_aperfmperf(root: Path) -> bool:
    try:
        return " aperfmperf" in read_text(root / "proc/cpuinfo", 1 << 16)
    except OSError:
        return False


def _absent(reason: str) -> Channel:
    return Channel(
        key=make_key("cpufreq", "", "cpufreq", "clock"),
        name="CPU clock",
        unit="Hz",
        source="cpufreq",
        absent_reason=reason,
    )
