"""The guard's decisions: when a reading, or its absence, must stop the load. Pure: no clock.

* A reading over a limit asks for an immediate second one; if that holds, or does not come, the
  load is stopped. If it does not hold, the first one was a spike and is said to be.
* A guarded channel that has given values and then gives none for a stated time stops the load:
  nobody knows any more what it would say.
* Limits below which something must not fall (fans, voltages) are judged only while load has been
  on for a while: many fans stand still by design when nothing is to cool.
* A guarded temperature that has not moved at all since before a minute of load began is told: its
  sensor may be stuck. It stops nothing, since coarse sensors of a well cooled part may stand still
  (common practice, no source).
* There is no limit on the rate of rise: a die jumps by tens of kelvin within a second of load.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from harness.results import Channel, Event, EventKind, SafetyStop
from harness.sensors.contract import Reading
from harness.sensors.plausibility import left_out

#: A warning is given again only after the value has fallen by this share of the limit.
_REARM_SHARE = 0.03
#: At most this many warnings for each channel; a value that hovers must not flood the record.
_MOST_WARNINGS = 20
#: Load that leaves a temperature exactly where it was for so long is told once.
_UNMOVED_SECONDS = 60.0
#: Missing channels whose chip is read seldom by design are given this many of its periods.
_STALE_PERIODS = 3


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
    """Stop the load now, by the direct path."""

    stop: SafetyStop


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
    last_good: float | None = None
    warned: int = 0
    warning: bool = False
    value: float | None = None
    value_since: float = 0.0
    told_unmoved: bool = False


@dataclass(frozen=True)
class _Pending:
    """A crossing that awaits its second reading."""

    limit: GuardLimit
    bound: float
    value: float
    at_seconds: float


@dataclass
class Guard:
    """Watches the channels of `channels` whose roles have `limits`.

    `confirm_within_seconds` is how long a second reading may take (one sampling interval);
    `periods` says how seldom some channels are read by design. Times are seconds of the run.
    After the first stop the guard is silent: the load is off.
    """

    limits: Sequence[GuardLimit]
    channels: Iterable[Channel]
    confirm_within_seconds: float = 0.5
    periods: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._watches = {
            channel.key: self._watch(channel)
            for channel in self.channels
            if not channel.absent_reason and self._limits_of(channel)
        }
        self._pending: dict[str, _Pending] = {}
        self._last_tick: float | None = None
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
        """True while a second reading has been asked for and has not come."""
        return bool(self._pending) and not self.tripped

    def observe(
        self, readings: Iterable[Reading], now_seconds: float, loaded_seconds: float = 0.0
    ) -> list[Action]:
        """Take a chip's readings; what must be done now."""
        actions: list[Action] = []
        for watch, reading in self._known(readings):
            if reading.value is not None and not left_out(reading.flag):
                watch.last_good = now_seconds
                actions += self._judge(watch, reading.value, now_seconds, loaded_seconds)
                actions += _unmoved(watch, reading.value, now_seconds, loaded_seconds)
        return actions

    def confirm(
        self, readings: Iterable[Reading], now_seconds: float, loaded_seconds: float = 0.0
    ) -> list[Action]:
        """Take the second reading that a :class:`ReadAgain` asked for."""
        actions: list[Action] = []
        for watch, reading in self._known(readings):
            pending = self._pending.pop(watch.channel.key, None)
            if pending is not None:
                actions += self._decide(watch, pending, reading, now_seconds, loaded_seconds)
        return actions

    def tick(self, now_seconds: float) -> list[Action]:
        """To be called at least once a second: second readings and channels that do not come."""
        if self.tripped:
            return []
        self._forgive_own_gap(now_seconds)
        return self._overdue(now_seconds) or self._stale(now_seconds)

    # --- what is remembered ----------------------------------------------------------------------

    def _watch(self, channel: Channel) -> _Watch:
        limits = self._limits_of(channel)
        stale = min(limit.stale_after_seconds for limit in limits)
        slow = _STALE_PERIODS * self.periods.get(channel.key, 0.0)
        return _Watch(channel, limits, max(stale, slow))

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

    def _judge(
        self, watch: _Watch, value: float, now_seconds: float, loaded_seconds: float
    ) -> list[Action]:
        key = watch.channel.key
        if key in self._pending:
            return []
        for limit in watch.limits:
            bound = limit.crossed(value, loaded_seconds)
            if bound is not None:
                self._pending[key] = _Pending(limit, bound, value, now_seconds)
                return [ReadAgain(key)]
        return self._warn(watch, value, now_seconds)

    def _decide(
        self,
        watch: _Watch,
        pending: _Pending,
        reading: Reading,
        now_seconds: float,
        loaded_seconds: float,
    ) -> list[Action]:
        if self.tripped:
            return []
        if reading.value is None or left_out(reading.flag):
            return [self._trip(watch, pending, pending.value, now_seconds)]
        watch.last_good = now_seconds
        if pending.limit.crossed(reading.value, loaded_seconds) is not None:
            return [self._trip(watch, pending, reading.value, now_seconds)]
        return [Unconfirmed(watch.channel.key), Tell(_spike(watch.channel, pending, reading.value))]

    def _trip(self, watch: _Watch, pending: _Pending, value: float, now_seconds: float) -> Trip:
        self.tripped = True
        return Trip(
            SafetyStop(
                channel=watch.channel.name,
                value=value,
                limit=pending.bound,
                unit=watch.channel.unit,
                at_seconds=now_seconds,
                whose=pending.limit.whose,
            )
        )

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
        return [Tell(_warning(watch.channel, value, level, now_seconds))]

    # --- what does not come ----------------------------------------------------------------------

    def _forgive_own_gap(self, now_seconds: float) -> None:
        """A guard that was itself held up must not call the channels stale for it."""
        last, self._last_tick = self._last_tick, now_seconds
        shortest = min((it.stale_after_seconds for it in self._watches.values()), default=0.0)
        gap = 0.0 if last is None else now_seconds - last
        if gap > max(shortest / 2, 1.0):
            for watch in self._watches.values():
                if watch.last_good is not None:
                    watch.last_good += gap

    def _overdue(self, now_seconds: float) -> list[Action]:
        for key, pending in self._pending.items():
            if now_seconds - pending.at_seconds > self.confirm_within_seconds:
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
                return [Trip(_stale_stop(watch, stopping[0], silent_seconds, now_seconds))]
        return []


def _unmoved(
    watch: _Watch, value: float, now_seconds: float, loaded_seconds: float
) -> list[Action]:
    if value != watch.value:
        watch.value, watch.value_since = value, now_seconds
    stood = now_seconds - watch.value_since
    hot = watch.channel.unit == "°C" and any(limit.above is not None for limit in watch.limits)
    if watch.told_unmoved or not hot or loaded_seconds < _UNMOVED_SECONDS or stood < loaded_seconds:
        return []
    watch.told_unmoved = True
    text = (
        f"{watch.channel.name} has read exactly {value:g} {watch.channel.unit} for {stood:.0f} s, "
        f"since before {loaded_seconds:.0f} s of load: its sensor may be stuck, and the guard with "
        "it"
    )
    data = {"channel": watch.channel.key, "value": value, "seconds": stood}
    return [Tell(Event(EventKind.WARNING, now_seconds, text, data))]


def _stale_stop(
    watch: _Watch, limit: GuardLimit, silent_seconds: float, now_seconds: float
) -> SafetyStop:
    return SafetyStop(
        channel=f"{watch.channel.name} (gives no value)",
        value=silent_seconds,
        limit=watch.stale_after_seconds,
        unit="s",
        at_seconds=now_seconds,
        whose=limit.whose,
    )


def _spike(channel: Channel, pending: _Pending, second: float) -> Event:
    return Event(
        EventKind.WARNING,
        pending.at_seconds,
        f"{channel.name} read {pending.value:g} {channel.unit}, over the limit of "
        f"{pending.bound:g} {channel.unit}; read again at once it was {second:g}: a spike",
        {"channel": channel.key, "value": pending.value, "second": second},
    )


def _warning(channel: Channel, value: float, level: float, now_seconds: float) -> Event:
    return Event(
        EventKind.WARNING,
        now_seconds,
        f"{channel.name} is at {value:g} {channel.unit}, above the warning level of "
        f"{level:g} {channel.unit}",
        {"channel": channel.key, "value": value, "level": level},
    )
