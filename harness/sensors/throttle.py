"""How often and how long the processor slowed itself down for heat.

Source: Documentation/ABI/testing/sysfs-devices-system-cpu, ``thermal_throttle/*``; one maker's
processors have it. The time is added when an event ends, so a throttling that goes on shows only
in its count.
"""

from __future__ import annotations

from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery
from harness.sensors.files import describe, names_in, text_or
from harness.sensors.gauge import Gauge, GaugeChip
from harness.sensors.keys import make_key

_FOLDER = "sys/devices/system/cpu"
_MOST_CPUS = 1024
#: The counters change seldom; one look a second is enough, and a large machine has many.
_PERIOD_SECONDS = 1.0
_ITEMS = (
    ("core_throttle_count", "core", "throttled", "count", 1),
    ("core_throttle_total_time_ms", "core", "time throttled", "s", 1_000),
    ("package_throttle_count", "package", "throttled", "count", 1),
    ("package_throttle_total_time_ms", "package", "time throttled", "s", 1_000),
)


class ThrottleSource:
    """Throttle counters, one per core and one per package (siblings show the same number)."""

    name = "throttle"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        try:
            cpus = cpu_folders(root)
        except OSError as error:
            return Discovery(absent=(_absent(f"cannot be listed: {describe(error)}"),))
        seen: set[tuple[str, str]] = set()
        gauges = [gauge for cpu, path in cpus for gauge in _gauges(cpu, path, seen)]
        if not gauges:
            return Discovery(absent=(_absent("this processor's driver counts no throttling"),))
        return Discovery(chips=(GaugeChip("throttle counters", gauges, _PERIOD_SECONDS),))


def cpu_folders(root: Path) -> list[tuple[int, Path]]:
    """Number and folder of each CPU below `root`. Raises OSError."""
    folder = root / _FOLDER
    names = [it for it in names_in(folder) if it[:3] == "cpu" and it[3:].isdecimal()]
    return [(int(it[3:]), folder / it) for it in names[:_MOST_CPUS]]


def _gauges(cpu: int, path: Path, seen: set[tuple[str, str]]) -> list[Gauge]:
    gauges = []
    package = _package(path)
    core = text_or(path / "topology/core_id", str(cpu))
    for item, level, noun, unit, divisor in _ITEMS:
        which = f"core {core}, {package}" if level == "core" else package
        file = path / "thermal_throttle" / item
        if (item, which) not in seen and file.exists():
            seen.add((item, which))
            channel = _channel(cpu, item, f"{which} {noun}", unit)
            gauges.append(Gauge(channel, file, divisor=divisor))
    return gauges


def _package(path: Path) -> str:
    """Package and, where it has several, die: each die numbers its cores from 0 again."""
    package = text_or(path / "topology/physical_package_id", "0")
    die = text_or(path / "topology/die_id", "0")
    return f"package {package}" if die == "0" else f"die {die}, package {package}"


def _channel(cpu: int, item: str, name: str, unit: str) -> Channel:
    return Channel(
        key=make_key("throttle", f"cpu{cpu}", "thermal_throttle", item),
        name=name,
        unit=unit,
        source="throttle",
        cpu=cpu,
        counter=unit == "count",
    )


def _absent(reason: str) -> Channel:
    return Channel(
        key=make_key("throttle", "", "thermal_throttle", "count"),
        name="throttling",
        unit="count",
        source="throttle",
        counter=True,
        absent_reason=reason,
    )
