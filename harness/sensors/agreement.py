"""Whether the sources of a CPU's clock agree: measured by the chain, counted, or requested."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.results import Channel

#: Sources that differ by more than this do not tell of the same thing (the chain's own
#: repeatability is about 1 %; common practice, no source).
APART_SHARE = 0.05


@dataclass(frozen=True)
class ClockAgreement:
    """Two statements about one CPU's clock in hertz; `ratio` is the stated over the measured."""

    cpu: int
    measured_hz: float
    stated_hz: float
    stated_by: str

    @property
    def ratio(self) -> float:
        """The stated clock over the measured one."""
        return self.stated_hz / self.measured_hz

    @property
    def agree(self) -> bool:
        """True when both are within :data:`APART_SHARE`."""
        return abs(self.ratio - 1) <= APART_SHARE


def clock_agreement(
    channels: Sequence[Channel], values: Mapping[str, float]
) -> tuple[ClockAgreement, ...]:
    """Every CPU that has both a measured and a stated clock; `values` are readings by key."""
    measured = {
        channel.cpu: values[channel.key]
        for channel in channels
        if channel.source == "clock probe" and values.get(channel.key, 0.0) > 0
    }
    return tuple(
        ClockAgreement(channel.cpu, measured[channel.cpu], values[channel.key], channel.name)
        for channel in channels
        if channel.source == "cpufreq"
        and channel.cpu is not None
        and channel.cpu in measured
        and channel.key in values
    )
