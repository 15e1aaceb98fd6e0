"""Hardware monitoring chips below /sys/class/hwmon.

Names, units and attributes: the kernel's Documentation/hwmon/sysfs-interface.rst and
Documentation/ABI/testing/sysfs-class-hwmon. The number in ``hwmonN`` changes from boot to boot,
so a channel is keyed on the real path of the chip's device, the chip's name, the attribute and
its label. Other numbers in that path change as well (a bus's, a drive's, a host's): they are left
out, and a bus is named by its adapter (:func:`stable_place`).
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, DriverLimit, Hint, Reading
from harness.sensors.deadline import Answer, call_all
from harness.sensors.files import (
    below,
    describe,
    inside,
    names_in,
    number_or_none,
    text_or,
    visible,
)
from harness.sensors.gauge import Gauge, GaugeChip
from harness.sensors.keys import make_key, numbered

_CLASS = "sys/class/hwmon"
#: Finding a chip reads its names and claimed limits, which may wake a slow bus.
_DISCOVERY_SECONDS = 5.0
_MOST_CHIPS = 256
#: More than any chip has; the rest is left out, and said to be.
_MOST_OF_A_CHIP = 1_000
#: Least time between two searches for a chip that has gone.
_SEARCH_SECONDS = 2.0


@dataclass(frozen=True)
class Kind:
    """One type of attribute: the channel's unit and how many of the file's steps make one."""

    unit: str
    divisor: int
    suffix: str


#: Type and suffix as in the file's name to what it holds (sysfs-interface.rst).
KINDS = {
    ("in", "input"): Kind("V", 1_000, "_input"),
    ("cpu", "vid"): Kind("V", 1_000, "_vid"),
    ("temp", "input"): Kind("°C", 1_000, "_input"),
    ("fan", "input"): Kind("RPM", 1, "_input"),
    ("curr", "input"): Kind("A", 1_000, "_input"),
    ("power", "input"): Kind("W", 1_000_000, "_input"),
    ("power", "average"): Kind("W", 1_000_000, "_average"),
    ("energy", "input"): Kind("J", 1_000_000, "_input"),
    ("humidity", "input"): Kind("%", 1_000, "_input"),
    ("freq", "input"): Kind("Hz", 1, "_input"),
    ("pwm", ""): Kind("of 255", 1, ""),
    ("intrusion", "alarm"): Kind("count", 1, "_alarm"),
}
_NAME = re.compile(
    r"^(in|cpu|temp|fan|curr|power|energy|humidity|freq|pwm|intrusion)(\d{1,6})"
    r"(?:_(input|average|vid|alarm))?$"
)
_LIMITS = ("min", "lcrit", "max", "crit", "emergency", "cap")

#: Seconds for which a driver repeats a value without asking the hardware (driver sources; the
#: kernel's hwmon documentation of coretemp, nct6775, it87).
CACHE_SECONDS = {"coretemp": 1.0, "nct6": 1.5, "w836": 1.5, "it8": 1.5, "f718": 1.0, "asus": 1.0}
#: Seconds between reads where each read costs the device a command of its own.
PERIOD_SECONDS = {"nvme": 5.0, "drivetemp": 10.0}


#: Parts of a device's path that carry a number given in the order of discovery, and what stays.
_COUNTED = (
    (re.compile(r"^\d+-([0-9a-f]{4})$"), r"at \1"),  # an I2C device: bus number, address
    (re.compile(r"^nvme\d+$"), "nvme"),
    (re.compile(r"^(host|target|thermal_zone)\d+"), r"\1"),
    (re.compile(r"^\d+(:\d+:\d+:\d+)$"), r"host\1"),  # a drive: host, channel, target, unit
    (re.compile(r"^([0-9A-F]{4}:[0-9A-F]{4}:[0-9A-F]{4})\.[0-9A-F]{4}$"), r"\1"),  # HID
)
_BUS = re.compile(r"^i2c-\d+$")


@dataclass(frozen=True)
class Folder:
    """One chip: where its attributes lie now, and what identifies it across boots."""

    path: Path
    place: str
    driver: str


class HwmonSource:
    """Every chip the kernel's hwmon class lists."""

    name = "hwmon"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        folders, problems = find_folders(root)
        if not folders and not problems:
            return Discovery(absent=(_nothing_here(root),))
        answers = call_all([partial(_build, root, it) for it in folders], _DISCOVERY_SECONDS)
        found = [_settle(*pair) for pair in zip(folders, answers, strict=True)]
        return Discovery(
            chips=tuple(chip for part in found for chip in part.chips),
            absent=tuple(problems) + tuple(gone for part in found for gone in part.absent),
            limits=tuple(limit for part in found for limit in part.limits),
            hints=tuple(hint for part in found for hint in part.hints),
        )


class HwmonChip(GaugeChip):
    """One chip; when it has gone altogether it is looked for under its new number."""

    def __init__(self, root: Path, folder: Folder, gauges: Callable[[Path], list[Gauge]]) -> None:
        super().__init__(
            f"{visible(folder.driver)} at {visible(folder.place)}",
            gauges(folder.path),
            _by_prefix(PERIOD_SECONDS, folder.driver),
            _by_prefix(CACHE_SECONDS, folder.driver),
        )
        self._root = root
        self._folder = folder
        self._make = gauges
        self._searched_at = 0.0

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        readings = super().read(now_seconds)
        if self.is_dumb and self._has_moved(now_seconds):
            readings = super().read(now_seconds)
        return readings

    def _has_moved(self, now_seconds: float) -> bool:
        """True when the chip was found in another folder; its gauges then read there."""
        if now_seconds - self._searched_at < _SEARCH_SECONDS:
            return False
        self._searched_at = now_seconds
        same = (self._folder.place, self._folder.driver)
        for folder in find_folders(self._root)[0]:
            if (folder.place, folder.driver) == same and folder.path != self._folder.path:
                return self._move(folder)
        return False

    def _move(self, folder: Folder) -> bool:
        gauges = {gauge.channel.key: gauge for gauge in self._make(folder.path)}
        if not set(gauges) >= {channel.key for channel in self.channels}:
            return False
        self.close()
        self._folder = folder
        self._use([gauges[channel.key] for channel in self.channels])
        return True


def find_folders(root: Path) -> tuple[list[Folder], list[Channel]]:
    """All chips below `root`, and an absent channel for each entry that cannot be used."""
    try:
        names = names_in(root / _CLASS)
    except OSError as error:
        return [], [_absent("hwmon", f"/{_CLASS} cannot be listed: {describe(error)}")]
    folders: list[Folder] = []
    problems: list[Channel] = []
    for name in names[:_MOST_CHIPS]:
        path = inside(root, root / _CLASS / name)
        if path is None:
            problems.append(_absent(name, "its link is a loop or leads out of the tree"))
        else:
            folders.append(_folder(root, path))
    if len(names) > _MOST_CHIPS:
        problems.append(
            _absent("more chips", f"{len(names)} chips listed, the first {_MOST_CHIPS} are read")
        )
    return _told_apart(folders), problems


def _folder(root: Path, path: Path) -> Folder:
    device = inside(root, path / "device")
    place = below(root, device if device is not None else path.parent)
    attributes = path
    if device is not None and not (path / "name").exists() and (device / "name").exists():
        attributes = device  # drivers that still register the old way
    return Folder(attributes, stable_place(root, place), text_or(attributes / "name", "unnamed"))


def stable_place(root: Path, place: str) -> str:
    """A device's path below `root` without what the order of discovery decides."""
    parts = place.split("/")
    stable = [
        _adapter(root.joinpath(*parts[: number + 1]), part)
        if _BUS.match(part)
        else _uncounted(part)
        for number, part in enumerate(parts)
    ]
    return "/".join(stable).removeprefix("sys/")


def _adapter(path: Path, bus: str) -> str:
    """A bus by its adapter's name, which says the port where one controller has several."""
    name = text_or(path / "name")
    return f"i2c {visible(name, 60).replace('/', '_')}" if name else bus


def _uncounted(part: str) -> str:
    for pattern, replacement in _COUNTED:
        part = pattern.sub(replacement, part)
    return part


def _told_apart(folders: list[Folder]) -> list[Folder]:
    """Two chips of one name on one device are told apart by their order."""
    names = numbered(f"{folder.place}\0{folder.driver}" for folder in folders)
    return [
        Folder(folder.path, folder.place, name.split("\0", 1)[1])
        for folder, name in zip(folders, names, strict=True)
    ]


def _build(root: Path, folder: Folder) -> Discovery:
    chip = HwmonChip(root, folder, partial(_gauges, folder))
    if not chip.channels:
        return Discovery(absent=(_absent(folder.driver, "the chip has no readable attribute"),))
    listed = len(_values(names_in(folder.path)))
    more = f"{listed} channels listed, the first {_MOST_OF_A_CHIP} are read"
    return Discovery(
        chips=(chip,),
        absent=(_absent(folder.driver, more),) if listed > _MOST_OF_A_CHIP else (),
        limits=tuple(_limits(folder, chip.channels)),
        hints=_hidden(folder),
    )


def _hidden(folder: Folder) -> tuple[Hint, ...]:
    """What of a chip this user may not read, and how that is granted."""
    names = [it[0] for it in _values(names_in(folder.path))[:_MOST_OF_A_CHIP]]
    hidden = [it for it in names if not os.access(folder.path / it, os.R_OK)]
    if not hidden:
        return ()
    rule = (
        f'SUBSYSTEM=="hwmon", ATTR{{name}}=="{visible(folder.driver, 40)}", '
        f'RUN+="/bin/chgrp sensors /sys%p/{hidden[0]}", RUN+="/bin/chmod 0440 /sys%p/{hidden[0]}"'
    )
    which = hidden[0] if len(hidden) == 1 else f"{hidden[0]} and {len(hidden) - 1} more"
    return (
        Hint(
            "hwmon",
            f"{which} of {visible(folder.driver)} may be read by root only; to open it to a group "
            f"named sensors, put this line into a udev rule: {rule}",
        ),
    )


def _settle(folder: Folder, answer: Answer[Discovery]) -> Discovery:
    if answer.value is not None:
        return answer.value
    if answer.error is not None and not isinstance(answer.error, OSError):
        raise answer.error
    why = f"did not answer within {_DISCOVERY_SECONDS:g} s"
    if isinstance(answer.error, OSError):
        why = f"cannot be listed: {describe(answer.error)}"
    return Discovery(absent=(_absent(folder.driver, why, folder.place),))


def _gauges(folder: Folder, path: Path) -> list[Gauge]:
    names = names_in(path)
    known = set(names)
    return [_gauge(folder, path, known, match) for match in _values(names)[:_MOST_OF_A_CHIP]]


def _values(names: Sequence[str]) -> list[re.Match[str]]:
    """The names that hold values, taken apart."""
    matches = [match for match in map(_NAME.match, names) if match is not None]
    return [match for match in matches if (match[1], match[3] or "") in KINDS]


def _gauge(folder: Folder, path: Path, known: set[str], match: re.Match[str]) -> Gauge:
    kind = KINDS[match[1], match[3] or ""]
    stem = match[1] + match[2]
    label = text_or(path / f"{stem}_label") if f"{stem}_label" in known else ""
    fault = path / f"{stem}_fault" if f"{stem}_fault" in known else None
    return Gauge(
        _channel(folder, kind, match[0], stem, label),
        path / match[0],
        divisor=kind.divisor,
        fault=fault,
        explain=partial(_explain, path / f"{stem}_enable"),
    )


def _channel(folder: Folder, kind: Kind, item: str, stem: str, label: str) -> Channel:
    called = label or (stem if kind.suffix in ("_input", "") else item.replace("_", " "))
    if label and item.endswith("_average"):
        called = f"{label} average"
    return Channel(
        key=make_key("hwmon", folder.place, folder.driver, item, label),
        name=visible(f"{folder.driver} {called}"),
        unit=kind.unit,
        source="hwmon",
    )


def _explain(enable: Path, error: OSError) -> str:
    """A driver answers ENODATA for a channel that is switched off."""
    if number_or_none(enable) == 0:
        return f"{describe(error)}: switched off ({enable.name} is 0)"
    return describe(error)


def _limits(folder: Folder, channels: Sequence[Channel]) -> list[DriverLimit]:
    limits = []
    for channel in channels:
        item = channel.key.rsplit(":", 2)[1]
        match = _NAME.match(item)
        if match is not None and item.endswith("_input"):
            limits += _limits_of(folder.path, channel, match)
    return limits


def _limits_of(path: Path, channel: Channel, match: re.Match[str]) -> list[DriverLimit]:
    kind = KINDS[match[1], match[3] or ""]
    stem = match[1] + match[2]
    values = {name: number_or_none(path / f"{stem}_{name}") for name in _LIMITS}
    return [
        DriverLimit(channel.key, name, value / kind.divisor, kind.unit)
        for name, value in values.items()
        if value is not None and abs(value) < 10**15
    ]


def _by_prefix(table: dict[str, float], driver: str) -> float:
    return next((value for prefix, value in table.items() if driver.startswith(prefix)), 0.0)


def _absent(name: str, reason: str, place: str = "") -> Channel:
    return Channel(
        key=make_key("hwmon", place, visible(name), "", ""),
        name=visible(name),
        unit="",
        source="hwmon",
        absent_reason=reason,
    )


def _nothing_here(root: Path) -> Channel:
    why = f"/{_CLASS} is empty or missing: no driver gives sensors"
    if not (root / "sys").is_dir():
        why = "there is no /sys here: hardware monitoring is Linux's"
    return Channel(
        key=make_key("hwmon", "", "none", "", ""),
        name="CPU temperature, voltages, fans",
        unit="°C",
        source="hwmon",
        role="cpu_temperature",
        absent_reason=why,
    )
