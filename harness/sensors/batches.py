"""Samples on their way through the pipe: packed by sweep, so that sampling stays cheap.

A batch is packed in the sampler and becomes an ordinary
:class:`harness.sensors.messages.SampleBatch` when it is unpickled.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any, NamedTuple

from harness.results import Sample
from harness.sensors.contract import Reading
from harness.sensors.messages import SampleBatch

_NOTHING = math.nan


class PackedSweep(NamedTuple):
    """One sweep of one chip: values in the channels' order, NaN for none.

    `notes` holds (position, reason, flag) of the few readings that have either.
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
        readings: Sequence[Reading],
        at_seconds: float,
        latency_seconds: float | None,
    ) -> PackedSweep:
        """Pack `readings`, which run in step with `channels`."""
        values = [it.value for it in readings]
        missing = values.count(None)
        packed = array("d", [_NOTHING if it is None else it for it in values]).tobytes()
        noted = [it for it in enumerate(readings) if it[1].reason or it[1].flag]
        notes = tuple((place, it.reason, it.flag) for place, it in noted)
        return cls(channels, at_seconds, latency_seconds, packed, notes, missing)

    def at(self, at_seconds: float, latency_seconds: float | None) -> PackedSweep:
        """The same values, read at another time."""
        return PackedSweep(
            self.channels, at_seconds, latency_seconds, self.values, self.notes, self.missing
        )

    def samples(self) -> list[Sample]:
        """The readings as samples, in their order."""
        at_seconds, latency = self.at_seconds, self.latency_seconds
        values = array("d")
        values.frombytes(self.values)
        pairs = zip(self.channels, values, strict=True)
        if not self.notes and not math.isnan(sum(values)):  # nearly always, and quick
            return [Sample(channel, at_seconds, it, "", "", latency) for channel, it in pairs]
        notes = {place: (reason, flag) for place, reason, flag in self.notes}
        return [
            Sample(
                channel,
                at_seconds,
                _or_none(it),
                *notes.get(place, ("", "")),
                latency_seconds=latency,
            )
            for place, (channel, it) in enumerate(pairs)
        ]


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


@dataclass(frozen=True)
class PackedBatch:
    """Sweeps that are sent together; on the other side it is a `SampleBatch`."""

    sweeps: tuple[PackedSweep, ...]

    @property
    def count(self) -> int:
        """Samples in all."""
        return sum(len(sweep.channels) for sweep in self.sweeps)

    @property
    def missing(self) -> int:
        """Samples without a value."""
        return sum(sweep.missing for sweep in self.sweeps)

    def unpack(self) -> SampleBatch:
        """The batch as the run sees it."""
        return SampleBatch(tuple(chain.from_iterable(it.samples() for it in self.sweeps)))

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickle as plain tuples that come back as a `SampleBatch`."""
        return _unpack, (tuple(map(tuple, self.sweeps)),)


def _unpack(rows: tuple[tuple[Any, ...], ...]) -> SampleBatch:
    return PackedBatch(tuple(PackedSweep(*row) for row in rows)).unpack()
