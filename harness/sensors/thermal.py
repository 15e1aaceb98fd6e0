"""Thermal zones below /sys/class/thermal (Documentation/ABI/testing/sysfs-class-thermal)."""

from __future__ import annotations

from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, DriverLimit
from harness.sensors.files import (
    describe,
    inside,
    names_in,
    number_or_none,
    text_or,
    visible,
)
from harness.sensors.gauge import Gauge, GaugeChip
from harness.sensors.keys import make_key, numbered

_CLASS = "sys/class/thermal"
_MOST_ZONES = 128
_MOST_TRIPS = 12


class ThermalSource:
    """Every thermal zone; each is a chip of its own, since each asks another driver."""

    name = "thermal"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        try:
            names = [it for it in names_in(root / _CLASS) if it.startswith("thermal_zone")]
        except OSError as error:
            return Discovery(absent=(_absent(f"cannot be listed: {describe(error)}"),))
        paths = [root / _CLASS / name for name in names[:_MOST_ZONES]]
        real = [path for path in paths if inside(root, path) is not None]
        if not real:
            why = "no zone leads into the tree" if names else "no thermal zone on this system"
            return Discovery(absent=(_absent(why),))
        # A zone's number depends on the order of drivers; its type and its rank among equals stay.
        kinds = numbered(text_or(path / "type", "unnamed") for path in real)
        chips = [_chip(path.resolve(), kind) for path, kind in zip(real, kinds, strict=True)]
        limits = [
            limit
            for chip, path in zip(chips, real, strict=True)
            for limit in _limits(path, chip.channels[0])
        ]
        return Discovery(chips=tuple(chips), limits=tuple(limits))


def _chip(path: Path, kind: str) -> GaugeChip:
    channel = Channel(
        key=make_key("thermal", "", kind, "temp"),
        name=visible(f"{kind} zone"),
        unit="°C",
        source="thermal",
    )
    return GaugeChip(f"thermal zone {visible(kind)}", [_gauge(channel, path)])


def _gauge(channel: Channel, path: Path) -> Gauge:
    return Gauge(channel, path / "temp", divisor=1_000)


def _limits(path: Path, channel: Channel) -> list[DriverLimit]:
    limits = []
    for number in range(_MOST_TRIPS):
        value = number_or_none(path / f"trip_point_{number}_temp")
        if value is None:
            break
        kind = text_or(path / f"trip_point_{number}_type", "trip")
        limits.append(DriverLimit(channel.key, visible(f"trip {kind}"), value / 1_000, "°C"))
    return limits


def _absent(reason: str) -> Channel:
    return Channel(
        key=make_key("thermal", "", "", "temp"),
        name="thermal zones",
        unit="°C",
        source="thermal",
        absent_reason=reason,
    )
