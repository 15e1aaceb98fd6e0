"""What the sampler notices between readings: counters that rise, channels that go and come back.

Pure: readings in, events out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from harness.results import Channel, Event, EventKind
from harness.sensors.contract import Incident, Reading

#: A channel counts as lost after this many readings in a row without a value.
LOST_AFTER_READINGS = 3
#: At most this many events of one channel; the rest is only in the samples.
MOST_EVENTS = 20
#: What a driver answers that has nothing new yet, such as the counted clock of an idle CPU: a
#: sample without a value, but nothing is lost. (A guarded channel goes stale all the same.)
_AGAIN = "EAGAIN"
_SLOW_DOWN_ROLES = frozenset({"throttle_count", "heat_alarms"})


@dataclass
class CounterWatch:
    """Turns each increase of a counter into an event; the first value is the baseline.

    `telling` are the keys whose chip tells its increases itself, with more than the count.
    """

    channels: Iterable[Channel]
    telling: frozenset[str] = frozenset()
    _first: dict[str, float] = field(default_factory=dict)
    _last: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._counters = {it.key: it for it in self.channels if it.counter}

    def counts(self, keys: Iterable[str]) -> bool:
        """True when one of these channels is a counter."""
        return any(key in self._counters for key in keys)

    def see(
        self, reading: Reading, at_seconds: float, running: Mapping[str, object]
    ) -> Event | None:
        """An event when this reading's counter rose; `running` says which load is on."""
        channel = self._counters.get(reading.channel)
        if channel is None or reading.value is None:
            return None
        before = self._last.get(channel.key)
        first = self._first.setdefault(channel.key, reading.value)
        self._last[channel.key] = reading.value
        if before is None or reading.value <= before or channel.key in self.telling:
            return None
        return _rise(channel, reading.value - before, reading.value - first, at_seconds, running)

    def told(self, incident: Incident, running: Mapping[str, object]) -> Event:
        """The event of an incident that a chip tells itself."""
        channel = self._counters[incident.channel]
        data = {"channel": channel.key, "cpu": incident.cpu, **running}
        return Event(_kind(channel), incident.at_seconds, incident.text, data)


def _rise(
    channel: Channel,
    increase: float,
    total: float,
    at_seconds: float,
    running: Mapping[str, object],
) -> Event:
    text = f"{channel.name}: {increase:g} more, {total:g} since the run began"
    data = {
        "channel": channel.key,
        "cpu": channel.cpu,
        "increase": increase,
        "total": total,
        **running,
    }
    return Event(_kind(channel), at_seconds, text, data)


def _kind(channel: Channel) -> EventKind:
    slowed = channel.role in _SLOW_DOWN_ROLES
    return EventKind.THROTTLED if slowed else EventKind.HARDWARE_ERROR


@dataclass
class _Gap:
    """A stretch without values of one channel."""

    since_seconds: float
    readings: int = 0
    told: bool = False


@dataclass
class PresenceWatch:
    """Tells once when a channel that gave values gives none any more, and when it is back."""

    channels: Iterable[Channel]

    def __post_init__(self) -> None:
        self._names = {it.key: it.name for it in self.channels}
        self._seen: set[str] = set()
        #: Chips all of whose channels have given a value: nothing new to learn of them.
        self._complete: set[tuple[str, ...]] = set()
        self._gaps: dict[str, _Gap] = {}
        self._events: dict[str, int] = {}

    def see_all(
        self, keys: tuple[str, ...], readings: Sequence[Reading], missing: int, at_seconds: float
    ) -> list[Event]:
        """Take one sweep, `missing` of whose readings have no value."""
        if not missing and not self._gaps and keys in self._complete:
            return []
        if not missing:
            self._complete.add(keys)
        events = [self.see(reading, at_seconds) for reading in readings]
        return [event for event in events if event is not None]

    def see(self, reading: Reading, at_seconds: float) -> Event | None:
        """Take a reading; an event when the channel has just been lost or found again."""
        key = reading.channel
        if reading.value is None:
            return self._missing(key, reading.reason, at_seconds) if key in self._seen else None
        self._seen.add(key)
        gap = self._gaps.pop(key, None)
        if gap is None or not gap.told:
            return None
        seconds = at_seconds - gap.since_seconds
        text = f"{self._names[key]} gives values again after {seconds:.1f} s"
        data = {"channel": key, "since_seconds": gap.since_seconds}
        return self._bounded(Event(EventKind.CHANNEL_BACK, at_seconds, text, data), key)

    def _missing(self, key: str, reason: str, at_seconds: float) -> Event | None:
        if reason.startswith(_AGAIN):
            return None
        gap = self._gaps.setdefault(key, _Gap(at_seconds))
        gap.readings += 1
        if gap.told or gap.readings < LOST_AFTER_READINGS:
            return None
        gap.told = True
        text = f"{self._names[key]} gives no value since {gap.since_seconds:.1f} s: {reason}"
        data = {"channel": key, "reason": reason, "since_seconds": gap.since_seconds}
        return self._bounded(Event(EventKind.CHANNEL_LOST, at_seconds, text, data), key)

    def _bounded(self, event: Event, key: str) -> Event | None:
        self._events[key] = self._events.get(key, 0) + 1
        return event if self._events[key] <= MOST_EVENTS else None


@dataclass
class Lateness:
    """A histogram of how late sweeps began, in steps of half a millisecond; bounded memory."""

    _STEP_SECONDS = 0.0005
    _STEPS = 4_000

    def __post_init__(self) -> None:
        self._bins = [0] * (self._STEPS + 1)
        self._count = 0
        self.longest_seconds: float | None = None

    def add(self, late_seconds: float) -> None:
        """Take one sweep's lateness."""
        step = min(max(int(late_seconds / self._STEP_SECONDS), 0), self._STEPS)
        self._bins[step] += 1
        self._count += 1
        if self.longest_seconds is None or late_seconds > self.longest_seconds:
            self.longest_seconds = late_seconds

    def quantile(self, share: float) -> float | None:
        """Upper edge of the step that holds the quantile, at most the longest; None if empty."""
        if self._count == 0 or self.longest_seconds is None:
            return None
        wanted = share * self._count
        seen = 0
        for step, count in enumerate(self._bins):
            seen += count
            if seen >= wanted and step < self._STEPS:
                return min((step + 1) * self._STEP_SECONDS, self.longest_seconds)
        return self.longest_seconds
