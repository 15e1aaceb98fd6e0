"""What the sampler notices between readings: counters that rise, channels that go and come back,
for how long load has been on, how late sweeps begin.

Pure: readings in, events out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from harness.board import LaneState
from harness.clock import NS_PER_SECOND
from harness.results import Channel, Event, EventKind
from harness.sensors.contract import Incident, Reading

#: A channel counts as lost after this many readings in a row without a value.
LOST_AFTER_READINGS = 3
#: At most this many events of one channel that comes and goes; the rest is only in the samples. Of
#: a counter, so many rises are told one by one, and then what they come to in each minute.
MOST_EVENTS = 20
SUMMARY_SECONDS = 60.0
#: Rises no farther apart than this are told as one span; after a longer pause a new one begins.
_SPAN_GAP_SECONDS = 2.0
#: What a driver answers that has nothing new yet, such as the counted clock of an idle CPU: a
#: sample without a value, but nothing is lost. (A guarded channel goes stale all the same.)
_AGAIN = "EAGAIN"
#: What the rise of a counter tells, by its role. Others, such as how often a power cap was reached,
#: are neither heat nor error: told in the record, and no criterion counts them.
_KINDS = {
    "throttle_count": EventKind.THROTTLED,
    "heat_alarms": EventKind.THROTTLED,
    "hardware_errors": EventKind.HARDWARE_ERROR,
    "error_alarms": EventKind.HARDWARE_ERROR,
}


@dataclass
class CounterWatch:
    """Turns increases of counters into events; the first value is the baseline.

    The first :data:`MOST_EVENTS` of a channel are told one by one, later ones together: ask
    :meth:`overdue` now and then and :meth:`rest` at the end. `telling` are the keys whose chip
    tells its increases itself, with more than the count.
    """

    channels: Iterable[Channel]
    telling: frozenset[str] = frozenset()
    _first: dict[str, float] = field(default_factory=dict)
    _last: dict[str, float] = field(default_factory=dict)
    #: How many events each channel has had, and when the last one was.
    _told: dict[str, int] = field(default_factory=dict)
    _told_at: dict[str, float] = field(default_factory=dict)
    #: What has not been told yet of channels that had their share of single events.
    _held: dict[str, _Held] = field(default_factory=dict)

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
        increase, total = reading.value - before, reading.value - first
        if self._is_held(channel.key, at_seconds):
            held = self._held.setdefault(channel.key, _Held())
            held.add(increase, at_seconds)
            held.total = total
            return None
        return _rise(channel, increase, total, at_seconds, running)

    def told(self, incident: Incident, running: Mapping[str, object]) -> Event | None:
        """The event of an incident that a chip tells itself; None when it is told with others."""
        channel = self._counters[incident.channel]
        if self._is_held(channel.key, incident.at_seconds):
            held = self._held.setdefault(channel.key, _Held())
            held.add(incident.increase, incident.at_seconds)
            held.last_text = incident.text
            return None
        data = {
            "channel": channel.key,
            "cpu": incident.cpu,
            "increase": incident.increase,
            **running,
        }
        return Event(_kind(channel), incident.at_seconds, incident.text, data)

    def overdue(self, at_seconds: float) -> list[Event]:
        """Summaries that are due."""
        keys = [key for key in self._held if at_seconds - self._told_at[key] >= SUMMARY_SECONDS]
        return [self._summary(key, at_seconds) for key in keys]

    def rest(self, at_seconds: float) -> list[Event]:
        """Summaries of all that has not been told yet."""
        return [self._summary(key, at_seconds) for key in list(self._held)]

    def _is_held(self, key: str, at_seconds: float) -> bool:
        told = self._told.get(key, 0)
        if told >= MOST_EVENTS:
            return True
        self._told[key], self._told_at[key] = told + 1, at_seconds
        return False

    def _summary(self, key: str, at_seconds: float) -> Event:
        channel, held = self._counters[key], self._held.pop(key)
        seconds = at_seconds - self._told_at[key]
        self._told_at[key] = at_seconds
        if held.last_text:
            more = f", the last: {held.last_text}"
        else:
            more = f", {held.total:g} since the run began"
        text = f"{channel.name}: {held.increase:g} more in {seconds:.0f} s{more}"
        data: dict[str, object] = {
            "channel": key,
            "cpu": channel.cpu,
            "increase": held.increase,
            "seconds": seconds,
            "spans": held.spans,
        }
        if not held.last_text:
            data["total"] = held.total
        return Event(_kind(channel), at_seconds, text, data)


@dataclass
class _Held:
    """Rises of a counter, or incidents, that are told together; `total` since the run began.

    `spans` says when they were: of rises that follow each other closely the first time, the last
    time, both in seconds on the run's axis, and how many rises there were.
    """

    increase: float = 0.0
    total: float = 0.0
    last_text: str = ""
    spans: list[tuple[float, float, int]] = field(default_factory=list)

    def add(self, increase: float, at_seconds: float) -> None:
        """One more rise."""
        self.increase += increase
        first, last, count = self.spans[-1] if self.spans else (at_seconds, -math.inf, 0)
        if at_seconds - last <= _SPAN_GAP_SECONDS:
            self.spans[-1] = (first, max(last, at_seconds), count + 1)
        else:
            self.spans.append((at_seconds, at_seconds, 1))


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
    return _KINDS.get(channel.role, EventKind.COUNTED)


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
    """A histogram of how late sweeps began, in steps of half a millisecond; bounded memory.

    A sweep that begins later than the next deadlines stands for those as well: each of them counts
    with its own lateness. Otherwise a stall of a minute would be one late sweep among many that
    were in time, and a quantile would show nothing of it.
    """

    _STEP_SECONDS = 0.0005
    _STEPS = 4_000
    #: Of a longer stall only so many of its first deadlines are counted, the latest ones.
    _MOST_DEADLINES = 10_000

    def __post_init__(self) -> None:
        self._bins = [0] * (self._STEPS + 1)
        self._count = 0
        self.longest_seconds: float | None = None

    def add(self, late_seconds: float, interval_seconds: float = math.inf) -> None:
        """Take one sweep's lateness; deadlines are `interval_seconds` apart."""
        self._add(late_seconds)
        if late_seconds > interval_seconds:
            skipped = min(int(late_seconds / interval_seconds), self._MOST_DEADLINES)
            for number in range(1, skipped + 1):
                self._add(late_seconds - number * interval_seconds)

    def _add(self, late_seconds: float) -> None:
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


class LoadWatch:
    """For how long load has been on: what heats a machine, its short pauses included.

    Load begins when a lane is seen working, or has verified a pass since the last look. It has
    ended when no such thing was seen for ten seconds; while a pattern holds a lane paused, for
    thirty. Fans and voltages take longer than a pause of a pattern, or than the time between two
    trials, to show that the load has gone (common practice, no source).
    """

    _PAUSE_NS = 10 * NS_PER_SECOND
    _PATTERN_PAUSE_NS = 30 * NS_PER_SECOND

    def __init__(self) -> None:
        self._since_ns: int | None = None
        self._worked_ns = 0
        self._verified = 0

    def look(self, now_ns: int, states: Sequence[int], verified: int) -> float:
        """Seconds of load as of `now_ns`; `verified` counts the passes of all lanes."""
        if LaneState.WORKING in states or verified != self._verified:
            self._verified, self._worked_ns = verified, now_ns
            self._since_ns = now_ns if self._since_ns is None else self._since_ns
        longest_ns = self._PATTERN_PAUSE_NS if LaneState.PAUSED in states else self._PAUSE_NS
        if self._since_ns is None or now_ns - self._worked_ns > longest_ns:
            self._since_ns = None
            return 0.0
        return (now_ns - self._since_ns) / NS_PER_SECOND
