"""The room's temperature, as the profile declares or measures it."""

from __future__ import annotations

import math

from harness.criteria.evidence import Room
from harness.profile.model import AmbientChannel, Profile
from harness.results import ChannelData, RunData

NOT_DECLARED = "the profile declares no ambient_celsius"
NO_WORST_DAY = "the profile declares no worst_ambient_celsius"


def room_of(profile: Profile, data: RunData) -> Room:
    """Ambient temperature now and on the worst declared day, or why it is not known."""
    declared, worst = profile.ambient_celsius, profile.worst_ambient_celsius
    if isinstance(declared, AmbientChannel):
        return _measured(declared.channel, worst, data)
    if declared is None:
        return Room(None, worst, NOT_DECLARED)
    return Room(declared, worst, "" if worst is not None else NO_WORST_DAY)


def _measured(channel: str, worst: float | None, data: RunData) -> Room:
    found = [
        item
        for item in data.channels
        if channel in (item.channel.role, item.channel.key, item.channel.name) and item.envelopes
    ]
    if not found:
        return Room(None, worst, f"the ambient channel {channel} gave no value in this run")
    if worst is None:
        return Room(_mean(found[0]), None, NO_WORST_DAY)
    return Room(_mean(found[0]), worst)


def _mean(item: ChannelData) -> float:
    samples = sum(envelope.samples for envelope in item.envelopes)
    return math.fsum(each.mean * each.samples for each in item.envelopes) / samples
