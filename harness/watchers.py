"""What the runner watches beside the lanes: the sampler, the record's writer, time itself."""

from __future__ import annotations

import contextlib
import math
from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.context import BaseContext
from typing import TYPE_CHECKING

from harness.board import Board, Slot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM, Clock
from harness.happenings import Happening, HelperDied, StoodStill, StorageFailed, Suspended
from harness.lanes.patience import MESSAGE, Overdue, Patience
from harness.lanes.starting import end_template, start_process
from harness.lanes.team import describe_exit
from harness.results import Channel, Event, EventKind
from harness.sweeps import PackedSweep, left_out

if TYPE_CHECKING:
    from harness.sensors.messages import ChannelsFound
    from harness.sensors.sampler import SamplerConfig

#: The sampler's heartbeat may be this old, or ten of its intervals, before it counts as hung.
SAMPLER_SILENT_SECONDS = 5.0
#: The parent's loop turns ten times a second; a gap this long means that it did not run.
STILL_SECONDS = 2.0
#: A write that has not come back after this long is a storage failure.
WRITER_SILENT_SECONDS = 60.0
#: The boot clock running ahead of the monotonic one by more than this is a suspend.
SUSPEND_SECONDS = 0.5
#: The wall clock moving against the boot clock by more than this is a step.
STEP_SECONDS = 1.0


class SamplerHandle:
    """The sampler process as the parent sees it. Making one starts it; raises BrokenEnvironment."""

    def __init__(self, context: BaseContext, config: SamplerConfig, board: Board) -> None:
        from harness.sensors.sampler import sampler_main

        self._board = board
        self._limit_ns = round(
            max(SAMPLER_SILENT_SECONDS, 10 * config.interval_seconds) * NS_PER_SECOND
        )
        self.connection, theirs = context.Pipe(duplex=True)
        self._process = context.Process(  # type: ignore[attr-defined]
            target=sampler_main, args=(config, str(board.path), theirs), name="sampler", daemon=True
        )
        self._patience = Patience()
        self._told_death = False
        self._closed = False
        #: Why it had to be ended; told as the way in which it died.
        self._ended_because = ""
        try:
            start_process(self._process, self._patience)
        except BaseException:
            self._patience.close()
            self.connection.close()
            raise
        finally:
            theirs.close()

    @property
    def has_beaten(self) -> bool:
        """True once it has shown a sign of life."""
        return self._board.get(Slot.SAMPLER_NS) > 0

    def waitables(self) -> list[Connection | int]:
        """What to wait for."""
        return [] if self._closed else [self.connection, self._process.sentinel]

    def hear(self) -> Iterator[object]:
        """Messages since the last call."""
        if self._closed:
            return
        try:
            while self.connection.poll():
                yield self._receive()
        except (EOFError, OSError):
            return  # its death is told by `trouble`
        except Overdue as overdue:
            self._ended_because = f"gave {overdue} in mid-message and was ended"
        except Exception as error:  # noqa: BLE001 - whatever damaged bytes make of themselves
            self._ended_because = f"sent damaged data ({type(error).__name__}) and was ended"
            self._process.kill()

    def _receive(self) -> object:
        with self._patience.limited(MESSAGE, self._process.kill):
            return self.connection.recv()

    def has_told_its_end(self) -> None:
        """It said itself why it ends: its exit is then no further trouble."""
        self._told_death = True

    def trouble(self, now_ns: int, since_ns: int = 0) -> HelperDied | None:
        """Its death or its silence, told once; silence counts from `since_ns` on."""
        if self._told_death or self._closed:
            return None
        if wait([self._process.sentinel], timeout=0):
            self._told_death = self._closed = True
            how = self._ended_because or describe_exit(self._process.exitcode)
            return HelperDied("sampler", how)
        beat = self._board.get(Slot.SAMPLER_NS)
        if beat and now_ns - max(beat, since_ns) > self._limit_ns:
            self._told_death = True
            age = (now_ns - beat) / NS_PER_SECOND
            return HelperDied("sampler", f"no heartbeat for {age:.1f} s")
        return None

    def stop(self, patience_seconds: float = 3.0) -> list[object]:
        """End it; returns its last messages. A thread hung in a driver does not hold us up."""
        from harness.sensors.messages import StopSampling

        last: list[object] = []
        if self._told_death:
            self._process.kill()  # it did not answer before, so it is not asked
        elif not self._closed:
            with contextlib.suppress(OSError, EOFError, Overdue):
                self.connection.send(StopSampling())
                last.extend(self._last_words(patience_seconds))
        self._closed = True
        self.connection.close()
        self._patience.close()
        self._process.join(timeout=patience_seconds)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(timeout=patience_seconds)
        if self._process.is_alive():
            end_template()  # it is dead, and its template does not tell: it hangs
            self._process.join(timeout=patience_seconds)
        return last

    def _last_words(self, patience_seconds: float) -> Iterator[object]:
        """What it still says, up to its farewell; however much that is, no longer than asked."""
        from harness.sensors.messages import SamplerStopped

        deadline = SYSTEM.monotonic_ns() + round(patience_seconds * NS_PER_SECOND)
        left = patience_seconds
        while left > 0 and self.connection.poll(left):
            message = self._receive()
            yield message
            if isinstance(message, SamplerStopped):
                return
            left = (deadline - SYSTEM.monotonic_ns()) / NS_PER_SECOND


@dataclass
class Readings:
    """The latest readings and the highest ones, for decisions and for the live view.

    Sweeps come a hundred times a second and are asked for a few times. A chip's sweeps are always
    over the same channels, which no other chip has, and many repeat the values of the one before.
    """

    channels: dict[str, Channel] = field(default_factory=dict)
    highest: dict[str, float] = field(default_factory=dict)
    guarded: tuple[str, ...] = ()
    _latest: dict[tuple[str, ...], PackedSweep] = field(default_factory=dict)
    _looked_up: dict[str, float] | None = None

    def found(self, message: ChannelsFound) -> None:
        """Take the channels in."""
        self.channels = {channel.key: channel for channel in message.channels}
        self.guarded = message.guarded

    def take(self, sweeps: Sequence[PackedSweep]) -> None:
        """Take sweeps in."""
        for sweep in sweeps:
            before = self._latest.get(sweep.channels)
            self._latest[sweep.channels] = sweep
            if before is None or before.values != sweep.values or before.notes != sweep.notes:
                self._raise_highest(sweep)
                self._looked_up = None

    def _raise_highest(self, sweep: PackedSweep) -> None:
        for key, value in zip(sweep.channels, _judged(sweep), strict=True):
            if value > self.highest.get(key, -math.inf):
                self.highest[key] = value

    def by_key_and_role(self) -> Mapping[str, float]:
        """Latest values under each channel's key, and the highest of each role under its name."""
        if self._looked_up is None:
            self._looked_up = self._look_up()
        return self._looked_up

    def _look_up(self) -> dict[str, float]:
        found: dict[str, float] = {}
        for sweep in self._latest.values():
            for key, value in zip(sweep.channels, _judged(sweep), strict=True):
                if math.isnan(value):
                    continue
                found[key] = value
                role = self.channels[key].role if key in self.channels else ""
                if role:
                    found[role] = max(value, found.get(role, value))
        return found

    def lost(self) -> tuple[Channel, ...]:
        """Channels that gave values once and give none now."""
        return tuple(
            self.channels[key]
            for sweep in self._latest.values()
            if sweep.missing
            for key, value in zip(sweep.channels, sweep.numbers(), strict=True)
            if math.isnan(value) and key in self.highest and key in self.channels
        )


def _judged(sweep: PackedSweep) -> array[float]:
    """A sweep's values, NaN for those that must not be judged."""
    values = sweep.numbers()
    for place, _, flag in sweep.notes:
        if left_out(flag):
            values[place] = math.nan
    return values


class SelfWatch:
    """Notices that the parent itself has not run: nobody else is there to tell it.

    `awake_ns` is since when it has run without such a gap. Whoever could not be heard meanwhile
    is not blamed for a silence that began earlier.
    """

    def __init__(self) -> None:
        self.awake_ns = 0
        self._beaten_ns = 0
        self._still_ns = 0
        self._last_ns = 0
        self._told_silence = False

    def beat(self, now_ns: int) -> None:
        """The loop turns."""
        still_ns = now_ns - self._beaten_ns if self._beaten_ns else 0
        self._beaten_ns = now_ns
        if still_ns > STILL_SECONDS * NS_PER_SECOND:
            self._still_ns += still_ns
            self.awake_ns = now_ns

    def look(self, stop: StopReason) -> StoodStill | None:
        """What is to be said, once: a gap, or that the lanes have drawn their consequence."""
        silenced = stop is StopReason.SILENT_PARENT and not self._told_silence
        if not (silenced or self._still_ns):
            return None
        self._told_silence = self._told_silence or silenced
        # A lane may draw it a moment after the gap has been told.
        self._last_ns, self._still_ns = self._still_ns or self._last_ns, 0
        return StoodStill(self._last_ns / NS_PER_SECOND, load_stopped=silenced)


class TimeWatch:
    """Notices suspends and steps of the wall clock by comparing the three clocks."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._asleep_ns = clock.boot_ns() - clock.monotonic_ns()
        self._wall_ahead_ns = clock.wall_ns() - clock.boot_ns()

    def look(self, at_seconds: float) -> tuple[Suspended | None, Event | None]:
        """What happened to time since the last look."""
        asleep = self._clock.boot_ns() - self._clock.monotonic_ns()
        slept = (asleep - self._asleep_ns) / NS_PER_SECOND
        self._asleep_ns = asleep
        ahead = self._clock.wall_ns() - self._clock.boot_ns()
        step = (ahead - self._wall_ahead_ns) / NS_PER_SECOND
        self._wall_ahead_ns = ahead
        suspended = Suspended(slept) if slept > SUSPEND_SECONDS else None
        if abs(step) < STEP_SECONDS:
            return suspended, None
        text = f"the wall clock was set {'forward' if step > 0 else 'back'} by {abs(step):.1f} s"
        return suspended, Event(EventKind.CLOCK_STEPPED, at_seconds, text, {"seconds": step})


def writer_silence(now_ns: int, beat_ns: int, lag_seconds: float, awake_ns: int) -> float:
    """Seconds for which the writer owes a sign: of life, or of an item that waits to be written.

    `beat_ns` is its last heartbeat (0: none yet). Counted from `awake_ns` on, since when this
    process has run without a gap: the writer is a thread of it and stands still with it.
    """
    silent_seconds = (now_ns - beat_ns) / NS_PER_SECOND if beat_ns else 0.0
    return min(max(silent_seconds, lag_seconds), (now_ns - awake_ns) / NS_PER_SECOND)


def writer_trouble(silent_seconds: float, error: Exception | None) -> Happening | None:
    """What is wrong with the record's writer, or None."""
    if error is not None:
        return StorageFailed(str(error))
    if silent_seconds > WRITER_SILENT_SECONDS:
        return StorageFailed(f"the storage has not finished a write for {silent_seconds:.0f} s")
    return None
