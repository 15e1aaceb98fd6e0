"""The runner performs what the conductor decides: processes, messages, the record.

One loop, woken by messages or ten times a second. It beats the parent's heart on the board, hears
lanes and sampler, hands everything to the conductor as happenings, and carries its instructions
out. It never waits for the disk, for a terminal or for a process without a deadline.
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from multiprocessing.connection import wait
from typing import TYPE_CHECKING

from harness.board import Board, LaneSlot, LaneState, Slot, StopReason
from harness.clock import NS_PER_SECOND, Clock
from harness.conductor import WAKE_SECONDS, Conductor
from harness.happenings import (
    Begin,
    Finish,
    Happening,
    HelperDied,
    Instruction,
    Interrupted,
    KillLane,
    LaneDied,
    LimitExceeded,
    LoadStopped,
    Release,
    Send,
    StopLoad,
    Store,
    Tick,
)
from harness.interruption import Signals
from harness.lanes.team import Death, LaneTeam
from harness.observing import LaneView, Observer, Snapshot
from harness.plan import Plan
from harness.results import Event, EventKind, Failure, SafetyStop, TrialData
from harness.watchers import (
    Readings,
    SamplerHandle,
    SelfWatch,
    TimeWatch,
    writer_silence,
    writer_trouble,
)

if TYPE_CHECKING:
    from harness.record.writer import RecordWriter

#: The deaths of lanes that were killed because a limit was exceeded are waited for so long.
_DEATH_SECONDS = 2.0
_SNAPSHOT_NS = NS_PER_SECOND // 4
_SLOPE_SECONDS = 10.0


@dataclass(frozen=True)
class Equipment:
    """What a runner works with; all of it is opened and closed by the caller."""

    board: Board
    team: LaneTeam
    sampler: SamplerHandle
    readings: Readings
    writer: RecordWriter
    clock: Clock
    signals: Signals = field(default_factory=Signals)


@dataclass(frozen=True)
class Showing:
    """What the live view shows beside measurements."""

    profile_name: str
    guard_limits: tuple[tuple[str, float], ...] = ()
    warnings: tuple[str, ...] = ()


class Runner:
    """Performs one part (one boot) of a run."""

    def __init__(
        self, plan: Plan, conductor: Conductor, with_: Equipment, observer: Observer, show: Showing
    ) -> None:
        self._plan = plan
        self._conductor = conductor
        self._board = with_.board
        self._team = with_.team
        self._sampler = with_.sampler
        self._readings = with_.readings
        self._writer = with_.writer
        self._clock = with_.clock
        self._observer = observer
        self._show = show
        self._time_watch = TimeWatch(with_.clock)
        self._signals = with_.signals
        self._self_watch = SelfWatch()
        self._early: list[Happening] = []
        self._limit_seen = False
        self._safety_stop: SafetyStop | None = None
        self._killed: set[int] = set()
        #: When the end of each dead lane was heard (monotonic).
        self._died_ns: dict[int, int] = {}
        self._failures: list[Failure] = []
        self._first_failure_celsius: float | None = None
        self._trials_done = 0
        self._load = self._pattern = ""
        self._next_snapshot_ns = 0
        self._temperatures: deque[tuple[float, float]] = deque(maxlen=64)
        self._began_ns = with_.clock.monotonic_ns()

    def run(self) -> Finish:
        """Work until the conductor says that measuring is over."""
        self._signals.at_once = self._stop_at_once
        for lane, cpu in enumerate(self._plan.cpus):
            self._beat()
            self._team.start(lane, cpu)
        self._hand_over(Begin())
        for happening in self._early:
            self._hand_over(happening)
        while self._conductor.finished is None:
            self._turn()
        self._tell_reaction()
        return self._conductor.finished

    def _tell_reaction(self) -> None:
        """How long after the guard raised the flag the last lane's load was off.

        The load of a lane that was killed in mid-pass is off when its end was heard; where that is
        not heard nobody knows, and nothing is told; nor where another reason had stopped the load
        before, since the flag keeps the time of the first.
        """
        raised = self._board.get(Slot.STOPPED_AT_NS)
        if self._safety_stop is None or self._board.stop is not StopReason.LIMIT:
            return
        self._await_deaths(raised)
        offs = [self._off_ns(lane, raised) for lane in range(self._plan.lanes)]
        if not self._undead(raised) and max(offs) >= raised:
            seconds = (max(offs) - raised) / NS_PER_SECOND
            self._store(replace(self._safety_stop, reaction_seconds=seconds))

    def _off_ns(self, lane: int, raised_ns: int) -> int:
        """When the lane's load was off, by its own word or by its death; 0 where it had none."""
        off_ns = self._board.lane(lane, LaneSlot.OFF_NS)
        return off_ns if off_ns >= raised_ns else self._died_ns.get(lane, 0)

    def _undead(self, raised_ns: int) -> set[int]:
        """Lanes that were killed under load and are not known to be gone."""
        return {lane for lane in self._killed if not self._off_ns(lane, raised_ns)}

    def _await_deaths(self, raised_ns: int) -> None:
        deadline_ns = self._clock.monotonic_ns() + round(_DEATH_SECONDS * NS_PER_SECOND)
        while self._undead(raised_ns) and self._clock.monotonic_ns() < deadline_ns:
            self._beat()
            wait(self._team.waitables(), timeout=WAKE_SECONDS)  # type: ignore[arg-type]
            for answer in self._team.hear():
                if isinstance(answer, Death):
                    self._died_ns[answer.lane] = self._clock.monotonic_ns()

    def _stop_at_once(self) -> None:
        """The operator's wish to stop goes straight to the lanes, then to the conductor."""
        self._board.trip(StopReason.PARENT, self._clock.monotonic_ns())

    # -- one turn of the loop ------------------------------------------------------------------

    def _turn(self) -> None:
        self._beat()
        wait([*self._team.waitables(), *self._sampler.waitables()], timeout=WAKE_SECONDS)  # type: ignore[list-item]
        self._beat()
        for happening in self._happenings():
            self._hand_over(happening)
        for note in self._observer.notes():
            self._store(Event(EventKind.NOTE, self._writer.now_seconds(), note))
        self._publish()

    def _beat(self) -> None:
        now = self._clock.monotonic_ns()
        self._self_watch.beat(now)
        self._board.put(Slot.PARENT_NS, now)

    def _awake_ns(self) -> int:
        """Since when this process has run without a gap, as of now and not of the turn's beginning.

        It may have stood still within the turn: a machine without time for it, a terminal that
        takes no more words, a stop from outside. Nobody else is to be blamed for that.
        """
        self._self_watch.beat(self._clock.monotonic_ns())
        return self._self_watch.awake_ns

    def _happenings(self) -> Iterator[Happening]:
        for name in self._signals.take():
            yield Interrupted(name)
        still = self._self_watch.look(self._board.stop)
        if still is not None:
            yield still
        answers = self._team.hear()
        yield from self._sampler_happenings()
        # Looked at after the lanes were heard: whoever says that it was stopped was stopped by it.
        if self._board.stop is StopReason.LIMIT and not self._limit_seen:
            self._limit_seen = True
            yield LoadStopped(self._board.get(Slot.STOPPED_AT_NS))
        for answer in answers:
            if isinstance(answer, Death):
                self._died_ns[answer.lane] = self._clock.monotonic_ns()
                yield LaneDied(answer.lane, answer.how, answer.stderr_tail)
            else:
                yield answer
        trouble = writer_trouble(self._writer_silence(), self._writer.error)
        if trouble is not None:
            yield trouble
        suspended, stepped = self._time_watch.look(self._writer.now_seconds())
        if stepped is not None:
            self._store(stepped)
        if suspended is not None:
            yield suspended
        yield self._tick()

    def _writer_silence(self) -> float:
        awake, now = self._awake_ns(), self._clock.monotonic_ns()
        beat = self._board.get(Slot.WRITER_NS)
        return writer_silence(now, beat, self._writer.lag_seconds, awake)

    def _sampler_happenings(self) -> Iterator[Happening]:
        for message in self._sampler.hear():
            happening = self.take_sampler_message(message)
            if happening is not None:
                yield happening
        awake = self._awake_ns()
        trouble = self._sampler.trouble(self._clock.monotonic_ns(), awake)
        if trouble is not None:
            yield trouble

    def take_early(self, message: object) -> None:
        """What the sampler says before the run begins; a machine may be too hot from the start."""
        happening = self.take_sampler_message(message)
        if happening is not None:
            self._early.append(happening)

    def take_sampler_message(self, message: object) -> Happening | None:
        """Keep what the sampler says; a tripped guard is a happening."""
        from harness.sensors.messages import (
            ChannelsFound,
            GuardTripped,
            SampleBatch,
            SamplerFailed,
            SensorEvent,
        )

        match message:
            case SampleBatch(sweeps):
                self._readings.take(sweeps)
                self._writer.put_sweeps(sweeps)
            case SensorEvent(event):
                self._store(event)
            case GuardTripped(stop, since_seconds):
                self._safety_stop = stop
                return LimitExceeded(stop, since_seconds)
            case SamplerFailed(text, traceback):
                self._sampler.has_told_its_end()
                now = self._writer.now_seconds()
                self._store(Event(EventKind.WARNING, now, text, {"traceback": traceback}))
                return HelperDied("sampler", text)
            case ChannelsFound():
                self._readings.found(message)
                for channel in message.channels:
                    self._writer.put(channel)
        return None

    def _tick(self) -> Tick:
        awake, now = self._awake_ns(), self._clock.monotonic_ns()
        lanes = range(self._plan.lanes)
        board = self._board
        return Tick(
            silent_seconds={
                lane: (now - max(board.lane(lane, LaneSlot.HEARTBEAT_NS), awake)) / NS_PER_SECOND
                for lane in lanes
            },
            verified={lane: board.lane(lane, LaneSlot.VERIFIED) for lane in lanes},
            channels=self._readings.by_key_and_role(),
        )

    # -- instructions --------------------------------------------------------------------------

    def _hand_over(self, happening: Happening) -> None:
        for instruction in self._conductor.handle(happening, self._clock.monotonic_ns()):
            self._perform(instruction)

    def _perform(self, instruction: Instruction) -> None:
        match instruction:
            case Send(lane, order):
                self._team.send(lane, order)
            case Store(item):
                self._store(item)
            case StopLoad(reason):
                self._board.trip(reason, self._clock.monotonic_ns())
            case Release(stretch):
                self._board.put(Slot.RELEASED, stretch)
            case KillLane(lane):
                self._killed.add(lane)
                self._team.kill(lane)
            case Finish():
                self._board.trip(StopReason.PARENT, self._clock.monotonic_ns())

    def _store(self, item: object) -> None:
        from harness.errors import StorageError

        if isinstance(item, Failure):
            if not self._failures:
                celsius = self._readings.by_key_and_role().get("cpu_temperature")
                self._first_failure_celsius = celsius
            self._failures.append(item)
        elif isinstance(item, TrialData):
            self._trials_done += 1
        elif isinstance(item, Event) and item.kind is EventKind.LOAD_STARTED:
            self._load = str(item.data.get("name", ""))
            self._pattern = str(item.data.get("pattern", ""))
        elif isinstance(item, Event) and item.kind is EventKind.LOAD_ENDED:
            self._load = self._pattern = ""
        # A writer that has failed is heard in the next turn, as a happening.
        with contextlib.suppress(StorageError):
            self._writer.put(item)  # type: ignore[arg-type]
        self._observer.stored(item)

    # -- the live view -------------------------------------------------------------------------

    def _publish(self) -> None:
        now = self._clock.monotonic_ns()
        if now < self._next_snapshot_ns:
            return
        self._next_snapshot_ns = now + _SNAPSHOT_NS
        self._observer.snapshot(self._snapshot(now))

    def _snapshot(self, now: int) -> Snapshot:
        phase = self._conductor.phase
        return Snapshot(
            run_id=self._writer.run_id,
            profile=self._show.profile_name,
            phase=type(phase).__name__.lower() if phase is not None else "finished",
            load=self._load,
            pattern=self._pattern,
            elapsed_seconds=(now - self._began_ns) / NS_PER_SECOND,
            planned_seconds=self._plan.estimated_seconds(),
            trials_done=self._trials_done,
            trials_planned=self._plan.trials,
            lanes=tuple(self._lane_view(lane, now) for lane in range(self._plan.lanes)),
            failures=tuple(self._failures),
            latest=self._readings.by_key_and_role(),
            highest=dict(self._readings.highest),
            channels=self._readings.channels,
            lost=self._readings.lost(),
            guard_limits=self._show.guard_limits,
            last_write_seconds=(now - self._writer.last_safe_write_ns) / NS_PER_SECOND,
            warnings=self._show.warnings,
            slope_celsius_per_second=self._slope(now),
            first_failure_celsius=self._first_failure_celsius,
        )

    def _lane_view(self, lane: int, now: int) -> LaneView:
        board = self._board
        clock = board.lane(lane, LaneSlot.CLOCK_HZ)
        last = board.lane(lane, LaneSlot.LAST_VERIFIED_NS)
        return LaneView(
            lane=lane,
            cpu=self._plan.cpus[lane],
            state=LaneState(board.lane(lane, LaneSlot.STATE)).name.lower(),
            clock_hz=float(clock) if clock else None,
            verified=board.lane(lane, LaneSlot.VERIFIED),
            last_verified_seconds=(now - last) / NS_PER_SECOND if last else None,
            failures=board.lane(lane, LaneSlot.FAILURES),
        )

    def _slope(self, now: int) -> float | None:
        """Kelvin a second over the last seconds, by the first and last reading."""
        value = self._readings.by_key_and_role().get("cpu_temperature")
        if value is None:
            return None
        at = now / NS_PER_SECOND
        self._temperatures.append((at, value))
        while at - self._temperatures[0][0] > _SLOPE_SECONDS:
            self._temperatures.popleft()
        first_at, first = self._temperatures[0]
        return (value - first) / (at - first_at) if at - first_at >= 2.0 else None
