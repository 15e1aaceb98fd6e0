"""What passes between the sampler's process and the run: frozen, small, and picklable.

Order from the sampler: `ChannelsFound` first; then batches and events; `SamplerReady` once every
chip was read or given up on; `SamplerStopped` last. `SamplerFailed` instead of all that when it
could not begin.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import Any

from harness.results import Channel, Event, SafetyStop, Sample
from harness.sensors.contract import DriverLimit, Hint
from harness.sweeps import PackedSweep


@dataclass(frozen=True)
class ChannelsFound:
    """All channels, absent ones included; `guarded` are the keys that can stop the load."""

    channels: tuple[Channel, ...]
    hints: tuple[Hint, ...]
    limits: tuple[DriverLimit, ...]
    guarded: tuple[str, ...]


@dataclass(frozen=True)
class SampleBatch:
    """Sweeps in the order in which they were read, sent together."""

    sweeps: tuple[PackedSweep, ...]

    @property
    def count(self) -> int:
        """Samples in all."""
        return sum(len(sweep.channels) for sweep in self.sweeps)

    @property
    def missing(self) -> int:
        """Samples without a value."""
        return sum(sweep.missing for sweep in self.sweeps)

    @property
    def samples(self) -> tuple[Sample, ...]:
        """The readings one by one; a run never asks, it carries sweeps."""
        return tuple(chain.from_iterable(sweep.samples() for sweep in self.sweeps))

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickle the sweeps as plain tuples, which is quicker."""
        return _batch, (tuple(map(tuple, self.sweeps)),)


def _batch(rows: tuple[tuple[Any, ...], ...]) -> SampleBatch:
    return SampleBatch(tuple(map(PackedSweep._make, rows)))


@dataclass(frozen=True)
class SensorEvent:
    """A channel lost or back, a counter that rose, a warning, dropped samples."""

    event: Event


@dataclass(frozen=True)
class GuardTripped:
    """The stop flag is up already; this says why, and since when: see :class:`guard.Trip`."""

    stop: SafetyStop
    since_seconds: float | None = None


@dataclass(frozen=True)
class SamplerReady:
    """Every chip was read once, or did not answer in time."""

    at_seconds: float


@dataclass(frozen=True)
class SamplerCounts:
    """What the sampler did and what it cost; lateness is measured against absolute deadlines.

    `missed` deadlines passed while a chip was late or still being read; those that a late sweep
    skipped count in the lateness, each with its own. Lateness and CPU time are None where nothing
    was sampled or the system does not say.
    """

    sweeps: int = 0
    samples: int = 0
    missing: int = 0
    dropped: int = 0
    missed: int = 0
    late_p99_seconds: float | None = None
    late_max_seconds: float | None = None
    cpu_seconds: float | None = None


@dataclass(frozen=True)
class SamplerStopped:
    """The last message."""

    counts: SamplerCounts
    reason: str


@dataclass(frozen=True)
class SamplerFailed:
    """The sampler could not begin; `traceback` is empty for an expected error."""

    text: str
    traceback: str = ""


@dataclass(frozen=True)
class StopSampling:
    """From the run to the sampler: hand over what is left and end."""


FromSampler = (
    ChannelsFound
    | SampleBatch
    | SensorEvent
    | GuardTripped
    | SamplerReady
    | SamplerStopped
    | SamplerFailed
)
