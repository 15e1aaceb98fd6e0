"""Energy counters below /sys/class/powercap, and the power that follows from them.

Source: Documentation/power/powercap/powercap.rst. `energy_uj` counts microjoules and wraps at
`max_energy_range_uj`; some zones wrap within minutes under load, so each zone is unwrapped on its
own. Since CVE-2020-8694 the counter is readable by root only. A package zone lies inside the
`psys` zone, and core, uncore and dram zones lie inside their package or beside it: zones are
never added up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, Hint, Reading
from harness.sensors.files import (
    Attribute,
    describe,
    inside,
    names_in,
    number_or_none,
    text_or,
    visible,
)
from harness.sensors.keys import make_key

_CLASS = "sys/class/powercap"
_MOST_ZONES = 128
#: No zone of one computer draws more than this; a longer gap than the counter's range takes at
#: this power may hide a second wrap (common practice, no source).
_MOST_WATTS = 2_000.0
#: Power over a shorter time than this is noise: the counter itself moves about every millisecond.
_SHORTEST_SECONDS = 0.01

UDEV_RULE = (
    'SUBSYSTEM=="powercap", ACTION=="add", RUN+="/bin/chgrp sensors /sys%p/energy_uj", '
    'RUN+="/bin/chmod 0440 /sys%p/energy_uj"'
)


@dataclass
class EnergyCounter:
    """Unwraps one zone's counter and derives its power; pure, fed with raw readings.

    `range_uj` is where the counter wraps to zero (0 when the driver does not say: then a fall is
    a restart of the counter, and the time across it is unknown).
    """

    range_uj: int
    total_uj: int = 0
    _last_uj: int | None = None
    _last_seconds: float = 0.0
    _power: tuple[float | None, str] = (None, "power needs a second reading of the counter")

    def feed(self, raw_uj: int, now_seconds: float) -> tuple[float | None, str]:
        """Take one raw value; the mean power in watts since the last one, or None and why.

        A reading right after the last gives the same mean again: a mean over an interval is no
        spike of a single reading and needs no second opinion.
        """
        elapsed = now_seconds - self._last_seconds
        if self._last_uj is None or elapsed >= _SHORTEST_SECONDS:
            before, self._last_uj, self._last_seconds = self._last_uj, raw_uj, now_seconds
            if before is not None:
                self._power = self._advance(raw_uj - before, elapsed)
        return self._power

    def _advance(self, step_uj: int, elapsed: float) -> tuple[float | None, str]:
        most_uj = elapsed * _MOST_WATTS * 1e6
        if step_uj < 0:
            if not self.range_uj:
                return None, "the counter fell and its driver names no range: it began anew"
            step_uj += self.range_uj + 1
        if self.range_uj and most_uj > self.range_uj:
            return None, f"{elapsed:.0f} s without a reading: the counter may have wrapped twice"
        if step_uj > most_uj:
            # A wrap is crossed slowly; after a reset (a suspended machine) it would mean kilowatts.
            return None, f"the counter jumped by {step_uj / 1e6:.0f} J at once: it began anew"
        self.total_uj += step_uj
        return step_uj / 1e6 / elapsed, ""


class _Zone:
    """One zone's two channels."""

    def __init__(self, path: Path, place: str, name: str) -> None:
        driver = place.split("/", 1)[0]
        self.energy = _channel(place, driver, "energy", name, "J")
        self.power = _channel(place, driver, "power", name, "W")
        self.attribute = Attribute(path / "energy_uj")
        self._counter = EnergyCounter(number_or_none(path / "max_energy_range_uj") or 0)

    def read(self, now_seconds: float) -> list[Reading]:
        """Energy since the first reading, and power since the last."""
        try:
            raw = int(self.attribute.read())
        except OSError as error:
            return self._missing(describe(error))
        except ValueError:
            return self._missing("empty or not a whole number")
        watts, why = self._counter.feed(raw, now_seconds)
        energy = Reading(self.energy.key, self._counter.total_uj / 1e6)
        return [energy, Reading(self.power.key, watts, why)]

    def _missing(self, why: str) -> list[Reading]:
        return [Reading(self.energy.key, None, why), Reading(self.power.key, None, why)]


class PowercapChip:
    """All zones of one control type; they share one driver."""

    period_seconds = 0.0
    shares_thread = True

    def __init__(self, name: str, zones: Sequence[_Zone]) -> None:
        self.name = name
        self._zones = zones
        self.channels = tuple(it for zone in zones for it in (zone.energy, zone.power))

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        return [reading for zone in self._zones for reading in zone.read(now_seconds)]

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`."""
        for zone in self._zones:
            zone.attribute.close()


class PowercapSource:
    """Energy zones, grouped by control type (``intel-rapl``, ``intel-rapl-mmio``)."""

    name = "powercap"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        try:
            names = [it for it in names_in(root / _CLASS) if ":" in it][:_MOST_ZONES]
        except OSError as error:
            return Discovery(absent=(_absent(f"cannot be listed: {describe(error)}"),))
        zones: dict[str, list[_Zone]] = {}
        for name in names:
            path = root / _CLASS / name
            if inside(root, path) is not None and (path / "energy_uj").exists():
                driver = name.split(":", 1)[0]
                zones.setdefault(driver, []).append(_make_zone(path, name))
        if not zones:
            return Discovery(absent=(_absent("no energy counter on this system"),))
        chips = tuple(PowercapChip(f"energy of {it}", zones[it]) for it in zones)
        return Discovery(chips=chips, hints=_hints(list(zones.values())))


def _make_zone(path: Path, name: str) -> _Zone:
    """`name` is the zone's place, such as ``intel-rapl:0:1``: driver, package and part."""
    label = text_or(path / "name", name)
    parent = path.parent / name.rsplit(":", 1)[0]
    if name.count(":") > 1:
        label = f"{text_or(parent / 'name', parent.name)} {label}"
    return _Zone(path, name.replace(":", "/"), visible(label))


def _hints(groups: list[list[_Zone]]) -> tuple[Hint, ...]:
    for zone in (zone for group in groups for zone in group):
        try:
            zone.attribute.read()
        except PermissionError:
            return (
                Hint(
                    "powercap",
                    "the energy counters (CPU power) are readable by root only; to open them to "
                    f"a group named sensors, put this line into a udev rule: {UDEV_RULE}",
                ),
            )
        except OSError:
            continue
    return ()


def _channel(place: str, driver: str, item: str, label: str, unit: str) -> Channel:
    other = " (mmio)" if driver.endswith("-mmio") else ""
    return Channel(
        key=make_key("powercap", place, driver, item, label),
        name=f"{label}{other} {item}",
        unit=unit,
        source="powercap",
    )


def _absent(reason: str) -> Channel:
    return Channel(
        key=make_key("powercap", "", "powercap", "power"),
        name="CPU power",
        unit="W",
        source="powercap",
        role="cpu_power",
        absent_reason=reason,
    )
