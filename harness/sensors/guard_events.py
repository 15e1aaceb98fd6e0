"""What the guard tells, in words; all of it warnings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.results import Channel, Event, EventKind

#: At most so many channels are named in one event.
_MOST_NAMED = 5
#: What a crossing was whose second reading is far away.
SPIKE = "a spike"
LAST_SPIKE = f"{SPIKE}; further ones are flagged and not told"


@dataclass(frozen=True)
class Crossing:
    """A value over its limit, as first seen."""

    value: float
    bound: float
    at_seconds: float


def warning(channel: Channel, value: float, level: float, at_seconds: float) -> Event:
    """A value above the level from which it is told."""
    text = (
        f"{channel.name} is at {value:g} {channel.unit}, above the warning level of "
        f"{level:g} {channel.unit}"
    )
    data = {"channel": channel.key, "value": value, "level": level}
    return Event(EventKind.WARNING, at_seconds, text, data)


def crossing(channel: Channel, first: Crossing, second: float, what: str) -> Event:
    """A value over its limit that the second reading did not confirm; `what` says what it was."""
    text = (
        f"{channel.name} read {first.value:g} {channel.unit}, over the limit of {first.bound:g} "
        f"{channel.unit}; read again it was {second:g}: {what}"
    )
    data = {"channel": channel.key, "value": first.value, "second": second}
    return Event(EventKind.WARNING, first.at_seconds, text, data)


def at_its_limit(times: int, of: int, within_seconds: float) -> str:
    """What a crossing was whose second reading lies close by."""
    return f"at its limit, {times} of the {of} times within {within_seconds:g} s that stop the load"


def unmoved(
    channel: Channel, value: float, stood: float, loaded_seconds: float, at_seconds: float
) -> Event:
    """A temperature that a load of `loaded_seconds` has not moved; `stood` is how long, in s."""
    text = (
        f"{channel.name} has read exactly {value:g} {channel.unit} for {stood:.0f} s, since before "
        f"{loaded_seconds:.0f} s of load: its sensor may be stuck, and the guard with it"
    )
    data = {"channel": channel.key, "value": value, "seconds": stood}
    return Event(EventKind.WARNING, at_seconds, text, data)


def guarding_nothing(channels: Sequence[Channel], of: int, limit: str, at_seconds: float) -> Event:
    """Of a limit's channels, those that have given no usable value since the run began."""
    names = ", ".join(it.name for it in channels[:_MOST_NAMED])
    more = len(channels) - _MOST_NAMED
    text = (
        f"{len(channels)} of the {of} channels that {limit} is about have given no usable value "
        f"and guard nothing: {names}" + (f" and {more} more" if more > 0 else "")
    )
    data = {"limit": limit, "channels": [it.key for it in channels[:_MOST_NAMED]]}
    return Event(EventKind.WARNING, at_seconds, text, data)
