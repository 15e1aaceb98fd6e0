"""One chip's turn: it is read, the guard looks, the readings are handed over.

The guard's direct path is here: the thread that read a value over its limit reads it again and
raises the stop flag itself; nobody has to be woken for it.
"""

from __future__ import annotations

import math
import threading
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from harness.clock import NS_PER_SECOND, Clock
from harness.results import Event
from harness.sensors.contract import Chip, Incident, Reading, TellingChip, cache_seconds_of
from harness.sensors.guard import Action, Guard, ReadAgain, Tell, Trip, Unconfirmed
from harness.sweeps import IMPLAUSIBLE, PackedSweep

#: Reads that take longer are counted as slow: a bus is asked, or the machine is busy.
_SLOW_NS = 10_000_000

SPIKE = f"{IMPLAUSIBLE}: not confirmed by a second reading at once"
#: Until a fresh value comes: it may be a spike that the driver repeats from its cache.
UNCONFIRMED = f"{IMPLAUSIBLE}: over its limit, and no fresh value has confirmed it yet"
#: A driver's cache has surely ended this long after its time.
_CACHE_MARGIN_NS = 10_000_000


class Sweep(NamedTuple):
    """One reading of one chip, as its thread hands it over; times are monotonic.

    `template` holds the packed values; its times are those of the sweep that first gave them.
    """

    worker: int
    readings: Sequence[Reading]
    template: PackedSweep
    at_seconds: float
    due_ns: int
    began_ns: int
    ended_ns: int
    incidents: Sequence[Incident] = ()
    failure: str = ""

    @property
    def late_seconds(self) -> float:
        """How long after its deadline the sweep began."""
        return (self.began_ns - self.due_ns) / NS_PER_SECOND

    def packed(self) -> PackedSweep:
        """The sweep as it is sent."""
        latency = (self.ended_ns - self.began_ns) / NS_PER_SECOND
        return self.template.at(self.at_seconds, latency)


@dataclass(frozen=True)
class Schedule:
    """Absolute deadlines: `start_ns` plus a multiple of `interval_ns`. Times are monotonic."""

    start_ns: int
    interval_ns: int

    def after(self, now_ns: int) -> int:
        """The first deadline later than `now_ns`; missed ones are not made up for."""
        if now_ns < self.start_ns:
            return self.start_ns
        return self.start_ns + ((now_ns - self.start_ns) // self.interval_ns + 1) * self.interval_ns


class GuardDesk:
    """The guard as the chips' threads share it: a lock, the way to the stop flag, the way out.

    `trip` raises the flag and must be quick; `tell` and `stopped` hand over what is to be sent.
    """

    def __init__(
        self,
        guard: Guard,
        trip: Callable[[], None],
        stopped: Callable[[Trip], None],
        tell: Callable[[Event], None],
    ) -> None:
        self.guard = guard
        #: How long load has been on, in seconds; the main loop keeps it up to date.
        self.loaded_seconds = 0.0
        #: Called before a second reading, which may hang: somebody must look for what comes of it.
        self.before_second_reading: Callable[[], None] = _nobody
        self._trip = trip
        self._stopped = stopped
        self._tell = tell
        self._lock = threading.Lock()

    def concerns(self, chip: Chip) -> bool:
        """True when the guard watches a channel of this chip."""
        watched = self.guard.watched
        return any(channel.key in watched for channel in chip.channels)

    def observe(
        self, readings: Sequence[Reading], now_seconds: float, began_seconds: float | None = None
    ) -> bool:
        """Let the guard look; True when the chip must be read again at once."""
        with self._lock:
            actions = self.guard.observe(readings, now_seconds, self.loaded_seconds, began_seconds)
        self._perform(actions)
        if not any(isinstance(action, ReadAgain) for action in actions):
            return False
        self.before_second_reading()
        return True

    def confirm(self, readings: Sequence[Reading], now_seconds: float) -> frozenset[str]:
        """Take a second reading; the channels whose first reading was a spike."""
        with self._lock:
            actions = self.guard.confirm(readings, now_seconds, self.loaded_seconds)
        self._perform(actions)
        return frozenset(it.channel for it in actions if isinstance(it, Unconfirmed))

    def tick(self, now_seconds: float) -> None:
        """Look for what does not come."""
        with self._lock:
            actions = self.guard.tick(now_seconds, self.loaded_seconds)
        self._perform(actions)

    def awaited(self) -> frozenset[str]:
        """Channels over their limits that no fresh value has confirmed or refuted yet."""
        if not self.guard.awaits:
            return frozenset()
        with self._lock:
            return self.guard.awaited

    def _perform(self, actions: Sequence[Action]) -> None:
        for action in actions:
            if isinstance(action, Trip):
                self._trip()
                self._stopped(action)
            elif isinstance(action, Tell):
                self._tell(action.event)


def _nobody() -> None:
    """Nobody is told."""


class ChipWorker:
    """Reads one chip when its time has come; a :class:`harness.sensors.reader.Reader` calls it."""

    def __init__(
        self,
        number: int,
        chip: Chip,
        schedule: Schedule,
        *,
        clock: Clock,
        run_started_ns: int,
        desk: GuardDesk,
        hand_over: Callable[[Sweep], None],
    ) -> None:
        self.number = number
        self.chip = chip
        self.keys = tuple(channel.key for channel in chip.channels)
        self.schedule = schedule
        self.due_ns = schedule.start_ns
        #: When the read that is under way began, or None; the main loop watches it.
        self.busy_since_ns: int | None = None
        self.sweeps = 0
        #: The shortest read so far; a busy machine only lengthens reads.
        self.shortest_ns: float = math.inf
        self.slow_reads = 0
        self.is_guarded = desk.concerns(chip)
        #: Deadlines that passed while the thread was late or the chip was still being read.
        self.missed = 0
        self._awaits = False
        self._cache_ns = round(cache_seconds_of(chip) * NS_PER_SECOND)
        self._clock = clock
        self._run_started_ns = run_started_ns
        self._desk = desk
        self._tells = chip if isinstance(chip, TellingChip) else None
        self._hand_over = hand_over
        self._readings: Sequence[Reading] = ()
        self._packed = PackedSweep.of((), (), 0.0, None)

    def move_to(self, schedule: Schedule) -> None:
        """Follow another schedule after the read that is due, so that no gap opens."""
        self.schedule = schedule

    def turn(self) -> int:
        """One sweep at its deadline; the next follows from when it ended, which is returned."""
        due_ns = self.due_ns
        ended_ns = self.step(due_ns)
        following_ns = self.schedule.after(ended_ns)
        self.missed += max((following_ns - due_ns) // self.schedule.interval_ns - 1, 0)
        self.due_ns = self._sooner(following_ns, ended_ns) if self._awaits else following_ns
        return ended_ns

    def _sooner(self, following_ns: int, ended_ns: int) -> int:
        """A crossing that a cache has repeated is looked at again once the cache has ended."""
        if not self._cache_ns:
            return following_ns
        return min(following_ns, ended_ns + self._cache_ns + _CACHE_MARGIN_NS)

    def step(self, deadline_ns: int) -> int:
        """One sweep, due at `deadline_ns`; when it ended."""
        began_ns = self._clock.monotonic_ns()
        self.busy_since_ns = began_ns
        at_seconds = self._seconds(began_ns)
        try:
            readings = self._read(at_seconds) if self.is_guarded else self.chip.read(at_seconds)
            incidents = self._tells.take_incidents() if self._tells is not None else ()
            failure = ""
        except Exception as error:  # noqa: BLE001 - a bug in a source is said, not swallowed
            readings, incidents = self._failed(error), ()
            failure = traceback.format_exc()
        ended_ns = self._clock.monotonic_ns()
        taken_ns = ended_ns - began_ns
        self.shortest_ns = min(taken_ns, self.shortest_ns)
        self.slow_reads += taken_ns > _SLOW_NS
        self.busy_since_ns = None
        self.sweeps += 1
        if readings is not self._readings:  # else the very list it gave before is packed already
            self._readings = readings
            self._packed = PackedSweep.of(self.keys, readings, at_seconds, None)
        self._hand_over(
            Sweep(self.number, readings, self._packed, at_seconds, deadline_ns, began_ns, ended_ns,
                  incidents, failure)
        )  # fmt: skip
        return ended_ns

    def _read(self, at_seconds: float) -> Sequence[Reading]:
        """A guarded chip's readings."""
        readings = self.chip.read(at_seconds)
        spikes: frozenset[str] = frozenset()
        if self._desk.observe(readings, self._now(), at_seconds):
            again = self.chip.read(self._now())
            spikes = self._desk.confirm(again, self._now())
        awaited = self._desk.awaited().intersection(self.keys)
        self._awaits = bool(awaited)
        if spikes or awaited:
            flags = {**dict.fromkeys(awaited, UNCONFIRMED), **dict.fromkeys(spikes, SPIKE)}
            readings = [_flagged(it, flags.get(it.channel, it.flag)) for it in readings]
        return readings

    def _failed(self, error: Exception) -> list[Reading]:
        why = f"the sensor source failed: {type(error).__name__}: {error}"
        return [Reading(channel.key, None, why) for channel in self.chip.channels]

    def _now(self) -> float:
        return self._seconds(self._clock.monotonic_ns())

    def _seconds(self, now_ns: int) -> float:
        return (now_ns - self._run_started_ns) / NS_PER_SECOND


def _flagged(reading: Reading, flag: str) -> Reading:
    return reading if reading.value is None else replace(reading, flag=flag)
