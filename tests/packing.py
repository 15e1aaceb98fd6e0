"""Single readings, as tests tell them, packed into sweeps, as a run carries them."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

from harness.results import Sample
from harness.sweeps import PackedSweep


def packed(samples: Iterable[Sample]) -> tuple[PackedSweep, ...]:
    """Readings that follow one another with the same time and latency share a sweep."""
    groups = groupby(samples, key=lambda it: (it.at_seconds, it.latency_seconds))
    return tuple(_sweep(list(group)) for _, group in groups)


def _sweep(readings: list[Sample]) -> PackedSweep:
    first = readings[0]
    channels = tuple(it.channel for it in readings)
    return PackedSweep.of(channels, readings, first.at_seconds, first.latency_seconds)
