"""What a sensor source is, seen from the sampler.

A :class:`Source` finds *chips*: groups of channels that are read together and share one thread
and one deadline, so that a hung chip delays no other. A reading is a value, or None with a reason
(the errno's name and text); nothing ever vanishes silently.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, runtime_checkable

from harness.results import Channel


@dataclass(frozen=True, slots=True)
class Reading:
    """One channel's value in the channel's unit, or None and the reason.

    `flag` marks a value that is kept but not judged ("implausible: +127 °C", "repeat").
    """

    channel: str
    value: float | None
    reason: str = ""
    flag: str = ""


@dataclass(frozen=True)
class DriverLimit:
    """A limit that a driver claims for a channel; shown as unreviewed, never used by itself."""

    channel: str
    name: str
    value: float
    unit: str


class Chip(Protocol):
    """Channels that are read together, by one thread at a time."""

    @property
    def name(self) -> str:
        """Name for people, e.g. ``coretemp at isa-0000``."""
        ...

    @property
    def channels(self) -> Sequence[Channel]:
        """The channels, fixed for the chip's life; stable keys across boots."""
        ...

    @property
    def period_seconds(self) -> float:
        """Shortest sensible time between two reads; 0 when each sampling interval will do."""
        ...

    @property
    def shares_thread(self) -> bool:
        """True when its reads are plain file reads, which may take turns in one thread."""
        ...

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """Read every channel once. Raises nothing a driver can cause: errors become readings."""
        ...

    def close(self) -> None:
        """Give descriptors and processes back."""
        ...


@dataclass(frozen=True)
class Incident:
    """A single happening that a chip can tell more of than a count: a log line, the CPU it met.

    `increase`: by how much the counter rose for it.
    """

    channel: str
    at_seconds: float
    text: str
    cpu: int | None = None
    increase: float = 1.0


@runtime_checkable
class TellingChip(Protocol):
    """A chip that tells each increase of its counters itself, with what it knows of it."""

    def take_incidents(self) -> Sequence[Incident]:
        """Incidents since the last call; called after each read, in the chip's thread."""
        ...


@runtime_checkable
class CachingChip(Protocol):
    """A chip whose driver repeats its values for a while without asking the hardware."""

    @property
    def cache_seconds(self) -> float:
        """For how long it does; 0 when never."""
        ...


def cache_seconds_of(chip: Chip) -> float:
    """For how long `chip` may repeat a value; 0 where nothing is known of it."""
    return chip.cache_seconds if isinstance(chip, CachingChip) else 0.0


@dataclass(frozen=True)
class Hint:
    """Something hidden by a missing permission, and how its owner could grant it."""

    source: str
    text: str


@dataclass(frozen=True)
class Discovery:
    """What a source found."""

    chips: tuple[Chip, ...] = ()
    #: Channels that this system does not give, with `absent_reason` filled.
    absent: tuple[Channel, ...] = ()
    limits: tuple[DriverLimit, ...] = ()
    hints: tuple[Hint, ...] = ()


class Source(Protocol):
    """One kind of sensor access: hwmon, thermal zones, powercap, NVML, an external command."""

    @property
    def name(self) -> str:
        """Short name, the `source` of its channels."""
        ...

    def discover(self, root: Path) -> Discovery:
        """Find chips below `root` (where /sys and /proc are looked up). Bounded time, memory."""
        ...
