"""What the temperature criteria share: the role they look at and what its channels showed."""

from __future__ import annotations

from pydantic import Field

from harness.criteria.base import CriterionSpec
from harness.criteria.evidence import Evidence, readable
from harness.results import ChannelData

CPU_TEMPERATURE = "cpu_temperature"
#: A highest reading of a channel that was seen for a smaller share than this proves no pass:
#: the peak may have been missed. Common practice, no source.
LEAST_COVERAGE_PERCENT = 90.0


class TemperatureCriterion(CriterionSpec):
    """A rule about every channel of one role."""

    role: str = Field(
        default=CPU_TEMPERATURE,
        min_length=1,
        description="Role (or key) of the channels it is about.",
    )

    def readable_channels(self, evidence: Evidence) -> tuple[ChannelData, ...]:
        """The channels of the role that gave values."""
        return readable(evidence.channels(self.role))

    def why_absent(self, evidence: Evidence) -> str:
        """Why no channel of the role gave a value."""
        channels = evidence.channels(self.role)
        if not channels:
            return f"this run has no channel of the role {self.role}"
        first = channels[0]
        reason = first.channel.absent_reason or first.missing_reason or "no usable value"
        return f"{first.channel.name}: {reason}"


def highest(channel: ChannelData) -> float:
    """Largest usable reading of a readable channel."""
    return max(envelope.maximum for envelope in channel.envelopes)


def usable_percent(channel: ChannelData) -> float:
    """Share of the due samples that gave a plausible value, in percent."""
    due = channel.samples + channel.missing
    return 100.0 * (channel.samples - channel.flagged) / due if due else 0.0
