"""Errors that the hardware itself reports: machine checks and memory errors.

Sources: the kernel's Documentation/admin-guide/RAS (EDAC: ``mc*/ce_count`` and the per-DIMM
counts), arch/x86/kernel/irq.c for the rows of /proc/interrupts, and
Documentation/ABI/testing/sysfs-mce for the polling interval. Corrected errors are polled, every
five minutes by default, so counts must be watched for that long after the load. A machine without
a memory controller driver has *unknown* error counts, not zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, Incident, Reading
from harness.sensors.files import (
    TABLE_LIMIT_BYTES,
    describe,
    names_in,
    read_bytes,
    read_text,
    text_or,
    visible,
)
from harness.sensors.gauge import Gauge, GaugeChip
from harness.sensors.keys import make_key, traits_of

_SOURCE = "hardware errors"
_EDAC = "sys/devices/system/edac/mc"
_MOST_CONTROLLERS = 64
_MOST_DIMMS = 256
_PERIOD_SECONDS = 1.0

#: Row of /proc/interrupts to (name, True when each increase is an error or a throttling).
#: MCP counts polls, not errors: it shows that somebody looks.
ROWS = {
    "MCE": ("machine check exceptions", True),
    "THR": ("corrected-error threshold interrupts", True),
    "DFR": ("deferred-error interrupts", True),
    "TRM": ("thermal event interrupts", True),
    "MCP": ("machine check polls", False),
}


class HardwareErrorsSource:
    """EDAC counts and the machine-check rows of /proc/interrupts."""

    name = _SOURCE

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        parts = (_discover_edac(root), _discover_interrupts(root))
        return Discovery(
            chips=tuple(chip for part in parts for chip in part.chips),
            absent=tuple(channel for part in parts for channel in part.absent),
        )


def error_poll_seconds(root: Path) -> float | None:
    """How often this kernel polls for corrected errors, or None where it does not say.

    The file is written in decimal by today's kernels and documented as hexadecimal; text with
    hexadecimal digits is read so.
    """
    try:
        text = read_text(root / "sys/devices/system/machinecheck/machinecheck0/check_interval")
        seconds = int(text, 10) if text.isdecimal() else int(text, 16)
    except (OSError, ValueError):
        return None
    return float(seconds) if 0 < seconds <= 86_400 else None


@dataclass(frozen=True)
class MemoryCount:
    """Whose errors a memory counter counts, and which: an error of a module counts in both."""

    controller: str
    #: ``ce_count`` (corrected) or ``ue_count`` (uncorrected).
    item: str
    of_module: bool


def memory_count(key: str) -> MemoryCount | None:
    """What the counter with this key counts; None for any other channel.

    Source: Documentation/ABI/testing/sysfs-devices-edac: ``mc*/ce_count`` is the total of the
    controller, so it holds the errors of its modules and those of which no module is known.
    """
    source, _, _ = key.partition(":")
    if source != _SOURCE or key.count(":") < 4:
        return None
    traits = traits_of(key)
    controller, slash, _ = traits.place.partition("/")
    item = traits.item.removeprefix("dimm_")
    if not controller or item not in {"ce_count", "ue_count"}:
        return None
    return MemoryCount(controller, item, bool(slash))


# --- memory controllers -------------------------------------------------------------------------


def _discover_edac(root: Path) -> Discovery:
    try:
        names = [it for it in names_in(root / _EDAC) if it[:2] == "mc" and it[2:].isdecimal()]
    except OSError as error:
        return Discovery(absent=(_absent_edac(f"cannot be listed: {describe(error)}"),))
    gauges: list[Gauge] = []
    for name in names[:_MOST_CONTROLLERS]:
        gauges += _controller(root / _EDAC / name)
    if not gauges:
        why = "no memory controller driver is loaded: error counts are unknown, not zero"
        return Discovery(absent=(_absent_edac(why),))
    return Discovery(chips=(GaugeChip("memory controllers", gauges, _PERIOD_SECONDS),))


def _controller(path: Path) -> list[Gauge]:
    name = text_or(path / "mc_name", path.name)
    gauges = []
    for item, noun in (("ce_count", "corrected"), ("ue_count", "uncorrected")):
        if (path / item).exists():
            called = f"{path.name} ({name}) {noun} errors"
            gauges.append(_count(path / item, path.name, name, called))
    for module in names_in(path)[:_MOST_DIMMS]:
        if module.startswith(("dimm", "rank")):
            gauges += _module(path / module, path.name)
    return gauges


def _module(path: Path, controller: str) -> list[Gauge]:
    label = text_or(path / "dimm_label") or text_or(path / "dimm_location") or path.name
    gauges = []
    for item, noun in (("dimm_ce_count", "corrected"), ("dimm_ue_count", "uncorrected")):
        if (path / item).exists():
            called = f"memory module {label} {noun} errors"
            gauges.append(_count(path / item, f"{controller}/{path.name}", "dimm", called))
    return gauges


def _count(path: Path, place: str, driver: str, name: str) -> Gauge:
    channel = Channel(
        key=make_key(_SOURCE, place, driver, path.name),
        name=visible(name),
        unit="count",
        source=_SOURCE,
        counter=True,
    )
    return Gauge(channel, path)


def _absent_edac(reason: str) -> Channel:
    return Channel(
        key=make_key(_SOURCE, "", "edac", "ce_count"),
        name="memory errors",
        unit="count",
        source=_SOURCE,
        counter=True,
        absent_reason=reason,
    )


# --- rows of /proc/interrupts -------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One row's counts, one per CPU column."""

    counts: tuple[int, ...]

    @property
    def total(self) -> int:
        """Sum over the CPUs."""
        return sum(self.counts)


def parse_rows(table: bytes) -> dict[str, Row]:
    """The rows of :data:`ROWS` in the text of /proc/interrupts."""
    rows: dict[str, Row] = {}
    for line in table.splitlines():
        name, colon, rest = line.partition(b":")
        key = name.strip().decode("ascii", "replace")
        if colon and key in ROWS:
            rows[key] = Row(_leading_numbers(rest.split()))
    return rows


def _leading_numbers(words: list[bytes]) -> tuple[int, ...]:
    numbers: list[int] = []
    for word in words:
        if not word.isdigit() or len(word) > 20:
            break
        numbers.append(int(word))
    return tuple(numbers)


class InterruptsChip:
    """The machine-check rows; tells on which CPU a count rose."""

    name = "machine-check interrupts"
    period_seconds = _PERIOD_SECONDS
    shares_thread = True

    def __init__(self, path: Path, rows: Sequence[str], cpus: Sequence[int]) -> None:
        self._path = path
        self._rows = list(rows)
        self._cpus = list(cpus)
        self._before: dict[str, Row] = {}
        self._incidents: list[Incident] = []
        self.channels = tuple(_row_channel(row) for row in rows)

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        try:
            rows = parse_rows(read_bytes(self._path, TABLE_LIMIT_BYTES))
        except OSError as error:
            return [Reading(it.key, None, describe(error)) for it in self.channels]
        self._tell(rows, now_seconds)
        return [
            _row_reading(channel, rows.get(row))
            for channel, row in zip(self.channels, self._rows, strict=True)
        ]

    def take_incidents(self) -> Sequence[Incident]:
        """See :class:`harness.sensors.contract.TellingChip`."""
        incidents, self._incidents = self._incidents, []
        return incidents

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`; nothing is kept open between reads."""

    def _tell(self, rows: dict[str, Row], now_seconds: float) -> None:
        for channel, row in zip(self.channels, self._rows, strict=True):
            before, now = self._before.get(row), rows.get(row)
            if channel.counter and before is not None and now is not None:
                for cpu, increase in self._risen(before, now):
                    text = f"{channel.name}: the count of CPU {cpu} rose"
                    incident = Incident(channel.key, now_seconds, text, cpu, increase)
                    self._incidents.append(incident)
        self._before = rows

    def _risen(self, before: Row, now: Row) -> list[tuple[int, int]]:
        """The CPUs whose count rose, and by how much."""
        pairs = zip(before.counts, now.counts, strict=False)
        return [
            (self._cpus[column] if column < len(self._cpus) else column, new - old)
            for column, (old, new) in enumerate(pairs)
            if new > old
        ]


def _row_reading(channel: Channel, row: Row | None) -> Reading:
    if row is None or not row.counts:
        return Reading(channel.key, None, "the row is no longer in /proc/interrupts")
    return Reading(channel.key, float(row.total))


def _discover_interrupts(root: Path) -> Discovery:
    path = root / "proc/interrupts"
    try:
        table = read_bytes(path, TABLE_LIMIT_BYTES)
    except OSError as error:
        return Discovery(absent=(_absent_rows(f"/proc/interrupts: {describe(error)}"),))
    rows = [row for row, found in parse_rows(table).items() if found.counts]
    if not rows:
        return Discovery(absent=(_absent_rows("/proc/interrupts has no machine-check row"),))
    return Discovery(chips=(InterruptsChip(path, rows, _columns(table)),))


def _columns(table: bytes) -> list[int]:
    """CPU number of each column, from the heading ``CPU0 CPU1 ...`` (offline CPUs are left out)."""
    heading = table.split(b"\n", 1)[0].split()
    return [int(word[3:]) for word in heading if word[:3] == b"CPU" and word[3:].isdigit()]


def _row_channel(row: str) -> Channel:
    name, counter = ROWS[row]
    return Channel(
        key=make_key(_SOURCE, "", "interrupts", row),
        name=name,
        unit="count",
        source=_SOURCE,
        counter=counter,
    )


def _absent_rows(reason: str) -> Channel:
    return Channel(
        key=make_key(_SOURCE, "", "interrupts", "MCE"),
        name="machine check exceptions",
        unit="count",
        source=_SOURCE,
        counter=True,
        absent_reason=reason,
    )
