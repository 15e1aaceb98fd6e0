"""Readings on their way from a chip to the record: packed by sweep, so that the way stays cheap.

A thousand readings a second are carried through two processes beside the load that is being
measured. They travel as one small tuple and one array for each sweep of a chip; an object for
each reading is made only where somebody wants to look at single ones.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from typing import NamedTuple, Protocol

from harness.results import Sample

#: Why a value that is NaN or infinite counts as missing.
NOT_FINITE = "not a finite number"

#: Flags that begin so mark values that cannot be true.
IMPLAUSIBLE = "implausible"

_NOTHING = math.nan


def left_out(flag: str) -> bool:
    """True for a flag whose value must not be judged; a repeat is right, only not new."""
    return flag.startswith(IMPLAUSIBLE)


class Read(Protocol):
    """One channel's part of a sweep, as a sensor source gives it."""

    @property
    def value(self) -> float | None:
        """The value, None where there was none."""
        ...

    @property
    def reason(self) -> str:
        """Why there was none."""
        ...

    @property
    def flag(self) -> str:
        """Why it is doubted."""
        ...


class PackedSweep(NamedTuple):
    """One sweep of one chip, on the run's axis: values in the channels' order, NaN for none.

    `values` holds the bytes of an array of C doubles, `notes` (position, reason, flag) of the few
    readings that have either; `missing` counts those without a value. The latency is None where
    it is not known.
    """

    channels: tuple[str, ...]
    at_seconds: float
    latency_seconds: float | None
    values: bytes
    notes: tuple[tuple[int, str, str], ...]
    missing: int

    @classmethod
    def of(
        cls,
        channels: tuple[str, ...],
        readings: Sequence[Read],
        at_seconds: float,
        latency_seconds: float | None,
    ) -> PackedSweep:
        """Pack `readings`, which run in step with `channels`; NaN is no value, and says so."""
        numbers = array("d", [_NOTHING if it.value is None else it.value for it in readings])
        noted = [it for it in enumerate(readings) if it[1].reason or it[1].flag]
        missing = 0
        if math.isnan(sum(numbers)):  # seldom, and quick to see
            missing = sum(map(math.isnan, numbers))
            noted = [it for it in enumerate(readings) if _reason(it[1]) or it[1].flag]
        notes = tuple((place, _reason(it), it.flag) for place, it in noted)
        return cls(channels, at_seconds, latency_seconds, numbers.tobytes(), notes, missing)

    def at(self, at_seconds: float, latency_seconds: float | None) -> PackedSweep:
        """The same values, read at another time."""
        return PackedSweep(
            self.channels, at_seconds, latency_seconds, self.values, self.notes, self.missing
        )

    def numbers(self) -> array[float]:
        """The values in the channels' order, NaN for none."""
        numbers = array("d")
        numbers.frombytes(self.values)
        return numbers

    def samples(self) -> list[Sample]:
        """The readings one by one, in their order."""
        notes = {place: (reason, flag) for place, reason, flag in self.notes}
        return [
            Sample(
                channel,
                self.at_seconds,
                None if math.isnan(value) else value,
                *notes.get(place, ("", "")),
                latency_seconds=self.latency_seconds,
            )
            for place, (channel, value) in enumerate(
                zip(self.channels, self.numbers(), strict=True)
            )
        ]


def _reason(reading: Read) -> str:
    value = reading.value
    return reading.reason or ("" if value is None or not math.isnan(value) else NOT_FINITE)
