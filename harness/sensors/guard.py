"""The guard's decisions: when a reading, or its absence, must stop the load. Pure: no clock.

* A reading over a limit asks for an immediate second one; if that holds, or does not come, the
  load is stopped. If it does not hold and is far from the first one, that was a spike and is said
  to be. If it lies close by, the value hovers at the limit: several such crossings within a minute
  stop the load, since it is at its limit whatever the last digit says.
* A driver that repeats a value from its cache confirms nothing by it, unless the value came from
  nearby, as no spike does. Its next fresh value decides; where none comes within one and a half
  sampling intervals the load is stopped, so that it is off within two. Lanes have 0.3 s from the
  stop to end between passes all the same; one in a long pass may be off half a second after a late
  stop, which is later than two intervals where they are shorter than 2 s.
* A guarded channel that has given values and then gives no fresh one for a stated time stops the
  load: nobody knows any more what it would say. A limit none of whose channels has ever given a
  value is waited for as long, from when load began. Where only some of them have not, the others
  guard, and which do not is told.
* Limits below which something must not fall (fans, voltages) are judged only while load has been
  on for a while: many fans stand still by design when nothing is to cool.
* A guarded temperature that has not moved at all since before a minute of load began is told: its
  sensor may be stuck. It stops nothing, since coarse sensors of a well cooled part may stand still
  (common practice, no source).
* There is no limit on the rate of rise: a die jumps by tens of kelvin within a second of load.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from harness.results import Channel, Event, SafetyStop
from harness.sensors import guard_events as events
from harness.sensors.contract import Reading
from harness.sensors.plausibility import REPEAT
from harness.sweeps import left_out

#: A warning is given again only after the value has fallen by this share of the limit.
_REARM_SHARE = 0.03
#: At most this many warnings for each channel; a value that hovers must not flood the record.
_MOST_WARNINGS = 20
#: Load that leaves a temperature exactly where it was for so long is told once.
_UNMOVED_SECONDS = 60.0
#: Missing channels whose chip is read seldom by design are given this many of its periods.
_STALE_PERIODS = 3
#: Two readings at once that differ by more than this do not show the same state: of temperatures
#: in kelvin, of anything else as a share of the limit (common practice, no source).
_SPIKE_KELVIN = 5.0
_SPIKE_SHARE = 0.1
#: So many crossings within this time, none of them confirmed and none of them a spike, are a value
#: at its limit (common practice, no source).
_MOST_HOVERS = 5
_HOVER_SECONDS = 60.0
#: Sampling intervals after the begin of the first reading over the limit at which the load is
#: stopped where the second reading has not come, and where the driver has given no fresh one: less
#: than the two within which the load must be off, for the lanes need some time as well.
_SECOND_INTERVALS = 1.75
_FRESH_INTERVALS = 1.5


@dataclass(frozen=True)
class GuardLimit:
    """A limit on every channel of one role, in that role's unit; `whose` says who set it.

    `warn_above` only tells. `grace_seconds` of load pass before `below` is judged.
    """

    name: str
    role: str
    unit: str
    above: float | None = None
    below: float | None = None
    warn_above: float | None = None
    whose: str = "the profile"
    stale_after_seconds: float = 10.0
    grace_seconds: float = 15.0

    @property
    def stops(self) -> bool:
        """True when this limit can stop the load, and its channels must therefore stay alive."""
        return self.above is not None or self.below is not None

    def crossed(self, value: float, loaded_seconds: float) -> float | None:
        """The bound that `value` crosses, or None. `loaded_seconds` is how long load has run."""
        if self.above is not None and value > self.above:
            return self.above
        if self.below is not None and value < self.below and loaded_seconds >= self.grace_seconds:
            return self.below
        return None


@dataclass(frozen=True)
class ReadAgain:
    """Read the channel's chip again at once and pass what it gives to :meth:`Guard.confirm`."""

    channel: str


@dataclass(frozen=True)
class Trip:
    """Stop the load now; `since_seconds`: when the first reading over the limit, if any, began."""

    stop: SafetyStop
    since_seconds: float | None = None


@dataclass(frozen=True)
class Unconfirmed:
    """The first reading was a spike: flag it, do not judge it."""

    channel: str


@dataclass(frozen=True)
class Tell:
    """Put an event into the record."""

    event: Event


Action = ReadAgain | Trip | Unconfirmed | Tell


@dataclass
class _Watch:
    """What the guard remembers of one channel."""

    channel: Channel
    limits: tuple[GuardLimit, ...]
    stale_after_seconds: float
    cache_seconds: float = 0.0
    last_good: float | None = None
    #: True once a gap of the guard's own was forgiven since the last fresh value.
    forgiven: bool = False
    warned: int = 0
    spikes: int = 0
    hovers: list[float] = field(default_factory=list)
    hovers_told: int = 0
    warning: bool = False
    value: float | None = None
    value_since: float = 0.0
    told_unmoved: bool = False


@dataclass(frozen=True)
class _Pending(events.Crossing):
    """A crossing that awaits its second reading, or a fresh value where that was a repeat.

    It was read from `began_seconds` on and seen at `at_seconds`; `before` is the channel's value
    before it.
    """

    limit: GuardLimit
    before: float | None
    began_seconds: float
    until_seconds: float
    repeated: bool = False


@dataclass
class Guard:
    """Watches the channels of `channels` whose roles have `limits`.

    `confirm_within_seconds` is how long a second reading may take (one sampling interval);
    `periods` says how seldom some channels are read by design, `caches` for how long a channel's
    driver may repeat a value, both in seconds. With `accept_blind` a limit on a temperature
    (unit °C; on nothing else) none of whose channels has ever given a value does not stop the
    load. Times are seconds of the run. After the first stop the guard is silent: the load is off.
    """

    limits: Sequence[GuardLimit]
    channels: Iterable[Channel]
    confirm_within_seconds: float = 0.5
    periods: Mapping[str, float] = field(default_factory=dict)
    caches: Mapping[str, float] = field(default_factory=dict)
    accept_blind: bool = False

    def __post_init__(self) -> None:
        self._watches = {
            channel.key: self._watch(channel)
            for channel in self.channels
            if not channel.absent_reason and self._limits_of(channel)
        }
        #: Stopping limits some of whose channels may not have given a value yet.
        self._unseen = [
            (limit, [it for it in self._watches.values() if limit in it.limits])
            for limit in self.limits
            if limit.stops
        ]
        self._shortest_stale = min(
            (it.stale_after_seconds for it in self._watches.values()), default=0.0
        )
        self._pending: dict[str, _Pending] = {}
        self._last_tick: float | None = None
        self._loaded_seconds = 0.0
        #: Since when load has been on; None while it is not.
        self._load_since: float | None = None
        self._load_forgiven = False
        self.tripped = False

    @property
    def guarded(self) -> tuple[Channel, ...]:
        """Channels that can stop the load; empty when the guard is blind."""
        return tuple(
            watch.channel
            for watch in self._watches.values()
            if any(limit.stops for limit in watch.limits)
        )

    @property
    def watched(self) -> frozenset[str]:
        """Keys of every channel the guard wants to see, those with a mere warning included."""
        return frozenset(self._watches)

    @property
    def awaits(self) -> bool:
        """True while a crossing is neither confirmed nor refuted."""
        return bool(self._pending) and not self.tripped

    @property
    def awaited(self) -> frozenset[str]:
        """Keys of the channels whose crossing is neither confirmed nor refuted."""
        return frozenset() if self.tripped else frozenset(self._pending)

    def observe(
        self,
        readings: Iterable[Reading],
        now_seconds: float,
        loaded_seconds: float = 0.0,
        began_seconds: float | None = None,
    ) -> list[Action]:
        """Take a chip's readings; what must be done now. `began_seconds`: when reading began."""
        self._loaded_seconds = loaded_seconds
        began = now_seconds if began_seconds is None else began_seconds
        actions: list[Action] = []
        for watch, reading in self._known(readings):
            if self.tripped:
                break
            pending = self._pending.get(watch.channel.key)
            if pending is None:
                actions += self._look(watch, reading, now_seconds, began)
            elif pending.repeated and not _is_repeat(watch, pending, reading, now_seconds):
                actions += self._decide(watch, pending, reading, now_seconds)
        return actions

    def confirm(
        self, readings: Iterable[Reading], now_seconds: float, loaded_seconds: float = 0.0
    ) -> list[Action]:
        """Take the second reading that a :class:`ReadAgain` asked for."""
        self._loaded_seconds = loaded_seconds
        actions: list[Action] = []
        for watch, reading in self._known(readings):
            pending = self._pending.get(watch.channel.key)
            if pending is None or self.tripped:
                continue
            repeat = _is_repeat(watch, pending, reading, now_seconds)
            if repeat and _may_be_a_spike(watch.channel, pending):
                until = pending.began_seconds + _FRESH_INTERVALS * self.confirm_within_seconds
                self._pending[watch.channel.key] = replace(
                    pending, repeated=True, until_seconds=until
                )
            else:
                actions += self._decide(watch, pending, reading, now_seconds)
        return actions or self._overdue(now_seconds)

    def tick(self, now_seconds: float, loaded_seconds: float | None = None) -> list[Action]:
        """To be called at least once a second: second readings and channels that do not come.

        `loaded_seconds` None: as it was told last.
        """
        if self.tripped:
            return []
        if loaded_seconds is not None:
            self._loaded_seconds = loaded_seconds
        self._forgive_own_gap(now_seconds)
        return self._overdue(now_seconds) or self._stale(now_seconds) or self._blind(now_seconds)

    # --- what is remembered ----------------------------------------------------------------------

    def _watch(self, channel: Channel) -> _Watch:
        limits = self._limits_of(channel)
        stale = min(limit.stale_after_seconds for limit in limits)
        cache = self.caches.get(channel.key, 0.0)
        slow = _STALE_PERIODS * max(self.periods.get(channel.key, 0.0), cache)
        return _Watch(channel, limits, max(stale, slow), cache)

    def _limits_of(self, channel: Channel) -> tuple[GuardLimit, ...]:
        return tuple(
            limit
            for limit in self.limits
            if channel.role and limit.role == channel.role and limit.unit == channel.unit
        )

    def _known(self, readings: Iterable[Reading]) -> list[tuple[_Watch, Reading]]:
        if self.tripped:
            return []
        pairs = ((self._watches.get(reading.channel), reading) for reading in readings)
        return [(watch, reading) for watch, reading in pairs if watch is not None]

    # --- decisions -------------------------------------------------------------------------------

    def _look(
        self, watch: _Watch, reading: Reading, now_seconds: float, began_seconds: float
    ) -> list[Action]:
        value = reading.value
        if value is None or left_out(reading.flag):
            return []
        _note_life(watch, reading, now_seconds)
        actions = self._judge(watch, value, now_seconds, began_seconds)
        _note_value(watch, value, now_seconds)
        return actions + _unmoved(watch, value, now_seconds, self._loaded_seconds)

    def _judge(
        self, watch: _Watch, value: float, now_seconds: float, began_seconds: float
    ) -> list[Action]:
        key, interval = watch.channel.key, self.confirm_within_seconds
        for limit in watch.limits:
            bound = limit.crossed(value, self._loaded_seconds)
            if bound is not None:
                until = min(now_seconds + interval, began_seconds + _SECOND_INTERVALS * interval)
                self._pending[key] = _Pending(
                    value, bound, now_seconds, limit, watch.value, began_seconds, until
                )
                return [ReadAgain(key)]
        return self._warn(watch, value, now_seconds)

    def _decide(
        self, watch: _Watch, pending: _Pending, reading: Reading, now_seconds: float
    ) -> list[Action]:
        del self._pending[watch.channel.key]
        value = reading.value
        if value is None or left_out(reading.flag):
            return [self._trip(watch, pending, pending.value, now_seconds)]
        _note_life(watch, reading, now_seconds)
        _note_value(watch, value, now_seconds)
        if pending.limit.crossed(value, self._loaded_seconds) is not None:
            return [self._trip(watch, pending, value, now_seconds)]
        if _are_apart(watch.channel, pending.value, value, pending.bound):
            return [Unconfirmed(watch.channel.key), *_spike(watch, pending, value)]
        return self._hover(watch, pending, value, now_seconds)

    def _hover(
        self, watch: _Watch, pending: _Pending, value: float, now_seconds: float
    ) -> list[Action]:
        """A crossing that was not confirmed by a value that lies close by."""
        since = now_seconds - _HOVER_SECONDS
        watch.hovers = [at for at in watch.hovers if at >= since] + [pending.at_seconds]
        if len(watch.hovers) >= _MOST_HOVERS:
            told = Tell(_at_its_limit(watch, pending, value))
            return [self._trip(watch, pending, pending.value, now_seconds), told]
        if watch.hovers_told >= _MOST_WARNINGS:
            return []
        watch.hovers_told += 1
        return [Tell(_at_its_limit(watch, pending, value))]

    def _trip(self, watch: _Watch, pending: _Pending, value: float, now_seconds: float) -> Trip:
        self.tripped = True
        stop = SafetyStop(
            channel=watch.channel.name,
            value=value,
            limit=pending.bound,
            unit=watch.channel.unit,
            at_seconds=now_seconds,
            whose=pending.limit.whose,
        )
        return Trip(stop, pending.began_seconds)

    def _warn(self, watch: _Watch, value: float, now_seconds: float) -> list[Action]:
        levels = [it.warn_above for it in watch.limits if it.warn_above is not None]
        if not levels:
            return []
        level = min(levels)
        if value <= level:
            watch.warning = watch.warning and value > level - abs(level) * _REARM_SHARE
            return []
        if watch.warning or watch.warned >= _MOST_WARNINGS:
            return []
        watch.warning = True
        watch.warned += 1
        return [Tell(events.warning(watch.channel, value, level, now_seconds))]

    # --- what does not come ----------------------------------------------------------------------

    def _forgive_own_gap(self, now_seconds: float) -> None:
        """A guard that was itself held up must not call the channels stale for it.

        One gap is forgiven for each fresh value, so that a guard that is held up again and again
        does not wait for ever.
        """
        last, self._last_tick = self._last_tick, now_seconds
        gap = 0.0 if last is None else now_seconds - last
        if gap <= max(self._shortest_stale / 2, 1.0):
            return
        for watch in self._watches.values():
            if watch.last_good is not None and not watch.forgiven:
                watch.last_good = min(watch.last_good + gap, now_seconds)
                watch.forgiven = True
        if self._load_since is not None and not self._load_forgiven:
            self._load_since = min(self._load_since + gap, now_seconds)
            self._load_forgiven = True

    def _overdue(self, now_seconds: float) -> list[Action]:
        for key, pending in self._pending.items():
            if now_seconds > pending.until_seconds:
                return [self._trip(self._watches[key], pending, pending.value, now_seconds)]
        return []

    def _stale(self, now_seconds: float) -> list[Action]:
        for watch in self._watches.values():
            stopping = [limit for limit in watch.limits if limit.stops]
            if not stopping or watch.last_good is None:
                continue
            silent_seconds = now_seconds - watch.last_good
            if silent_seconds > watch.stale_after_seconds:
                self.tripped = True
                return [Trip(_silent(watch, stopping[0], silent_seconds, now_seconds))]
        return []

    def _blind(self, now_seconds: float) -> list[Action]:
        """Channels that have not given a value, though load has been on for long enough."""
        if not self._loaded_seconds:
            self._load_since, self._load_forgiven = None, False
            return []
        if self._load_since is None:
            self._load_since = now_seconds - self._loaded_seconds
        waited_seconds = now_seconds - self._load_since
        actions: list[Action] = []
        for limit, watches in list(self._unseen):
            unseen = [it for it in watches if it.last_good is None]
            if waited_seconds <= max((it.stale_after_seconds for it in unseen), default=-1.0):
                continue
            self._unseen.remove((limit, watches))
            accepted = self.accept_blind and limit.unit == "°C"
            if unseen and len(unseen) == len(watches) and not accepted:
                self.tripped = True
                return [Trip(_silent(unseen[0], limit, waited_seconds, now_seconds))]
            if unseen:
                idle = [it.channel for it in unseen]
                told = events.guarding_nothing(idle, len(watches), limit.name, now_seconds)
                actions.append(Tell(told))
        return actions


def _note_life(watch: _Watch, reading: Reading, now_seconds: float) -> None:
    """A repeat shows that the program or the driver answers, not what it measures now."""
    if reading.flag != REPEAT or watch.last_good is None:
        watch.last_good = now_seconds
        watch.forgiven = False


def _note_value(watch: _Watch, value: float, now_seconds: float) -> None:
    if value != watch.value:
        watch.value, watch.value_since = value, now_seconds


def _are_apart(channel: Channel, one: float, other: float, bound: float) -> bool:
    """True when two readings differ by more than one state of the hardware can."""
    most = _SPIKE_KELVIN if channel.unit == "°C" else _SPIKE_SHARE * max(abs(bound), abs(other))
    return abs(one - other) > most


def _is_repeat(watch: _Watch, pending: _Pending, reading: Reading, now_seconds: float) -> bool:
    """True when the driver may not have asked the hardware again; some cache each input apart."""
    if reading.flag == REPEAT:
        return True
    cached = now_seconds - pending.at_seconds < watch.cache_seconds
    return cached and reading.value == pending.value


def _may_be_a_spike(channel: Channel, pending: _Pending) -> bool:
    before = pending.before
    return before is None or _are_apart(channel, pending.value, before, pending.bound)


def _unmoved(
    watch: _Watch, value: float, now_seconds: float, loaded_seconds: float
) -> list[Action]:
    stood = now_seconds - watch.value_since
    hot = watch.channel.unit == "°C" and any(limit.above is not None for limit in watch.limits)
    if watch.told_unmoved or not hot or loaded_seconds < _UNMOVED_SECONDS or stood < loaded_seconds:
        return []
    watch.told_unmoved = True
    return [Tell(events.unmoved(watch.channel, value, stood, loaded_seconds, now_seconds))]


def _spike(watch: _Watch, pending: _Pending, second: float) -> list[Action]:
    watch.spikes += 1
    if watch.spikes > _MOST_WARNINGS:
        return []
    what = events.LAST_SPIKE if watch.spikes == _MOST_WARNINGS else events.SPIKE
    return [Tell(events.crossing(watch.channel, pending, second, what))]


def _at_its_limit(watch: _Watch, pending: _Pending, second: float) -> Event:
    what = events.at_its_limit(len(watch.hovers), _MOST_HOVERS, _HOVER_SECONDS)
    return events.crossing(watch.channel, pending, second, what)


def _silent(watch: _Watch, limit: GuardLimit, seconds: float, now_seconds: float) -> SafetyStop:
    name, most = f"{watch.channel.name} (gives no value)", watch.stale_after_seconds
    return SafetyStop(name, seconds, most, "s", now_seconds, limit.whose)
