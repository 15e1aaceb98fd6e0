"""What the temperature criteria share: the role they look at and what its channels showed."""

from __future__ import annotations

from dataclasses import replace

from pydantic import Field

from harness.criteria.base import CriterionSpec
from harness.criteria.evidence import Evidence, readable
from harness.results import Channel, ChannelData
from harness.sensors.keys import traits_of
from harness.sensors.roles import ROLES, assignment

CPU_TEMPERATURE = "cpu_temperature"


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
        return why_silent(channels[0])

    def silent_channels(self, evidence: Evidence) -> tuple[ChannelData, ...]:
        """The sensors of the role that gave no value at all: what they would show is not known.

        Sensors that the rules of roles set aside (second hand, floating) have no role and are not
        among them, nor is what a source says that found no sensor of its kind.
        """
        of_role = {item.channel.key for item in evidence.channels(self.role)}
        read = {item.channel.key for item in self.readable_channels(evidence)}
        return tuple(
            item
            for item in evidence.data.channels
            if item.channel.key not in read
            if (item.channel.key in of_role and not _is_of_no_sensor(item.channel))
            or _is_hidden_chip(item.channel, self.role)
        )

    def not_shown(self, evidence: Evidence) -> list[str]:
        """Why the role is not known in full, one reason for each sensor that gave nothing."""
        if not self.readable_channels(evidence):
            return [self.why_absent(evidence)]
        return [why_silent(item) for item in self.silent_channels(evidence)]


_NOTHING_CONNECTED = (
    "every value was implausible; if nothing is connected there, take its role away in "
    "sampling.roles"
)


def why_silent(item: ChannelData) -> str:
    """Why a channel gave no value, after its name."""
    reason = item.channel.absent_reason or item.missing_reason
    if not reason and item.flagged:
        reason = _NOTHING_CONNECTED
    return f"{item.channel.name}: {reason or 'no usable value'}"


def _is_of_no_sensor(channel: Channel) -> bool:
    """True for what stands for a whole source without sensors: no place on the machine."""
    try:
        return bool(channel.absent_reason) and not traits_of(channel.key).place
    except ValueError:
        return False


def _is_hidden_chip(channel: Channel, role: str) -> bool:
    """True for a chip that could not be read at all, whose sensors would have the role.

    Such a chip has neither unit nor role of its own; its driver tells what it measures.
    """
    if not channel.absent_reason or channel.unit or role not in ROLES:
        return False
    try:
        return assignment(replace(channel, unit=ROLES[role]), {}).role == role
    except ValueError:
        return False


def highest(channel: ChannelData) -> float:
    """Largest usable reading of a readable channel."""
    return max(envelope.maximum for envelope in channel.envelopes)
