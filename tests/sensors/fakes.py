"""Stand-ins for what the sampler works with."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from harness.board import LaneSlot, LaneState, Slot, StopReason
from harness.results import Channel
from harness.sensors.catalogue import Catalogue
from harness.sensors.contract import Chip, Incident, Reading
from harness.sensors.guard import Trip

DIE = Channel("die", "die", "°C", "test", role="cpu_temperature")


@dataclass
class FakeChip:
    """A chip whose values come from a function of the time it is read at."""

    value: Callable[[float], float | None]
    channels: Sequence[Channel] = (DIE,)
    name: str = "fake"
    period_seconds: float = 0.0
    shares_thread: bool = True
    reads: list[float] = field(default_factory=list)
    closed: bool = False

    def read(self, now_seconds: float) -> list[Reading]:
        self.reads.append(now_seconds)
        value = self.value(now_seconds)
        return [Reading(it.key, value, "" if value is not None else "gone") for it in self.channels]

    def close(self) -> None:
        self.closed = True


@dataclass
class TellingFake(FakeChip):
    """A chip that tells of an incident at each read."""

    def take_incidents(self) -> list[Incident]:
        return [Incident(self.channels[0].key, self.reads[-1], "told", 1)]


@dataclass
class FakeBoard:
    """The shared board without shared memory: one lane."""

    lanes: int = 1
    state: LaneState = LaneState.IDLE
    load: int = 0
    verified: int = 0
    tripped: list[tuple[StopReason, int]] = field(default_factory=list)
    beats: list[int] = field(default_factory=list)

    def put(self, slot: Slot, value: int) -> None:
        if slot is Slot.SAMPLER_NS:
            self.beats.append(value)

    def lane(self, lane: int, slot: LaneSlot) -> int:
        return {
            LaneSlot.STATE: int(self.state),
            LaneSlot.LOAD: self.load,
            LaneSlot.VERIFIED: self.verified,
        }[slot]

    def trip(self, reason: StopReason, now_ns: int) -> None:
        self.tripped.append((reason, now_ns))


def catalogue_of(*chips: Chip) -> Catalogue:
    """A catalogue of these chips, roles as their channels have them."""
    channels = tuple(channel for chip in chips for channel in chip.channels)
    return Catalogue(chips, channels, (), (), ())


def stops_of(trips: Sequence[Trip]) -> list[float]:
    """When each stop happened."""
    return [trip.stop.at_seconds for trip in trips]
