"""The sampler's process: every chip read at absolute deadlines, the guard beside it.

It shares no interpreter with a load. Threads read the chips (:mod:`harness.sensors.threads`); this
module's loop collects what they read, notices what they do not, beats on the board, and
hands batches to the run through an :class:`harness.sensors.outbox.Outbox` that never blocks.
"""

from __future__ import annotations

import os
import threading
import traceback
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Protocol

from harness.board import Board, LaneSlot, LaneState, Slot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM, Clock
from harness.errors import RigproofError
from harness.results import Event, EventKind
from harness.sensors.alarm import Alarm, listener
from harness.sensors.catalogue import Catalogue, CatalogueOptions, discover
from harness.sensors.chip_worker import ChipWorker, GuardDesk, Schedule, Sweep
from harness.sensors.contract import Reading, TellingChip, cache_seconds_of
from harness.sensors.external import ExternalCommand
from harness.sensors.guard import Guard, GuardLimit, Trip
from harness.sensors.messages import (
    ChannelsFound,
    FromSampler,
    GuardTripped,
    SampleBatch,
    SamplerCounts,
    SamplerFailed,
    SamplerReady,
    SamplerStopped,
    SensorEvent,
    StopSampling,
)
from harness.sensors.outbox import Outbox
from harness.sensors.process import settle_process
from harness.sensors.threads import ChipThreads
from harness.sensors.watches import CounterWatch, Lateness, LoadWatch, PresenceWatch
from harness.sweeps import PackedSweep

#: Chips begin this far apart, so that their threads do not queue for the interpreter.
_STAGGER_NS = 2_000_000
#: The loop beats, looks for what does not come, and hands over what was read this often: a live
#: view needs no more, and a second of silence is what the guard allows.
_FULL_TURN_NS = 390_000_000
#: The common thread turns the loop in passing; when it has not, the loop wakes this much later.
_GRACE_NS = 500_000_000
#: Until all chips have been read it turns this often, so that a run need not wait to begin.
_FIRST_TURNS_NS = 100_000_000
#: Where no alarm wakes it, it looks after the threads this long after each common deadline: a
#: quick chip is done by then.
_AFTER_DEADLINE_NS = 30_000_000
#: A second reading that does not come is looked for in this share of an interval.
_PENDING_SHARE = 8
_STOP_SECONDS = 1.0
_GOODBYE_SECONDS = 2.0


@dataclass(frozen=True)
class SamplerConfig:
    """What the sampler must know; picklable.

    `run_started_ns` is the monotonic zero of the run's time axis. `cpus` are the CPUs whose clock
    the probe measures when `clock_probe` is on. A chip that has not answered after
    `chip_deadline_seconds` is reported as silent until it does. With `accept_blind` a limit on a
    temperature (unit °C; on nothing else) whose channels never give a value does not stop the load.
    """

    root: str
    interval_seconds: float
    run_started_ns: int
    limits: tuple[GuardLimit, ...] = ()
    external: tuple[ExternalCommand, ...] = ()
    allow_external: bool = False
    role_overrides: tuple[tuple[str, str], ...] = ()
    cpus: tuple[int, ...] = ()
    clock_probe: bool = False
    nvml: bool | None = None
    chip_deadline_seconds: float = 2.0
    accept_blind: bool = False

    def catalogue_options(self) -> CatalogueOptions:
        """The part that discovery needs."""
        return CatalogueOptions(
            role_overrides=dict(self.role_overrides),
            external=self.external,
            allow_external=self.allow_external,
            nvml=self.nvml,
            clock_probe=self.clock_probe,
            cpus=self.cpus,
        )


class StopBoard(Protocol):
    """What the sampler needs of the shared board."""

    lanes: int

    def put(self, slot: Slot, value: int) -> None:
        """Set a header slot."""
        ...

    def lane(self, lane: int, slot: LaneSlot) -> int:
        """One slot of one lane."""
        ...

    def trip(self, reason: StopReason, now_ns: int) -> None:
        """Raise the stop flag."""
        ...


class Sampler:
    """Collects from the chips' threads. `begin`, then `turn` again and again, then `end`."""

    def __init__(
        self,
        config: SamplerConfig,
        catalogue: Catalogue,
        board: StopBoard,
        send: Callable[[FromSampler], bool],
        clock: Clock = SYSTEM,
        alarm: Alarm | None = None,
    ) -> None:
        self._config = config
        self._alarm = alarm
        self._catalogue = catalogue
        self._board = board
        self._send = send
        self._clock = clock
        self._interval_ns = round(config.interval_seconds * NS_PER_SECOND)
        self._sweeps: deque[Sweep] = deque()
        self._presence = PresenceWatch(catalogue.channels)
        self._counters = CounterWatch(catalogue.channels, _telling(catalogue))
        self._lateness = Lateness()
        self._load = LoadWatch()
        self._told_failures: set[int] = set()
        #: Each chip's last list of readings: the very same one again tells nothing new.
        self._noticed: dict[int, Sequence[Reading]] = {}
        self._told_silent_ns: dict[int, int] = {}
        self._told_drops = 0
        self._ready = False
        self._count = {"sweeps": 0, "samples": 0, "missing": 0}
        self.guard = self._make_guard()
        self.desk = GuardDesk(self.guard, self._trip, self._tell_stop, self._tell)
        if alarm is not None:
            self.desk.before_second_reading = alarm.ring
        self.workers = self._make_workers()
        self._counting = {it.number for it in self.workers if self._counters.counts(it.keys)}
        self._next_full_ns = 0
        self._turning = threading.Lock()
        self._failure: Exception | None = None
        self.threads = ChipThreads(self.workers, clock, alarm, self._turn_in_passing)
        self._began_ns = self.threads.began_ns

    # --- the life of the loop --------------------------------------------------------------------

    def begin(self) -> None:
        """Say which channels there are, and start the chips' threads."""
        self._send(
            ChannelsFound(
                channels=self._catalogue.everything,
                hints=self._catalogue.hints,
                limits=self._catalogue.limits,
                guarded=tuple(channel.key for channel in self.guard.guarded),
            )
        )
        self.threads.begin()

    def turn(self, dropped_samples: int = 0) -> None:
        """Look after the threads; when it is time, collect, hand over, beat and guard, too."""
        with self._turning:
            if self._failure is not None:
                raise self._failure
            self._turn(dropped_samples)

    def _turn_in_passing(self) -> None:
        """The common thread has read its chips and is awake: it spares the loop a waking."""
        if self._clock.monotonic_ns() < self._next_full_ns or not self._turning.acquire(False):
            return
        try:
            self._turn(self._told_drops)
        except Exception as error:  # noqa: BLE001 - the loop raises it, where it ends the process
            self._failure = error
        finally:
            self._turning.release()

    def _turn(self, dropped_samples: int) -> None:
        now_ns = self._clock.monotonic_ns()
        self.threads.look_after_common(now_ns)
        if self.guard.awaits:
            self.desk.tick(self._seconds(now_ns))
        if now_ns < self._next_full_ns:
            return
        self._next_full_ns = now_ns + (_FULL_TURN_NS if self._ready else _FIRST_TURNS_NS)
        self.threads.arrange(now_ns)
        self._board.put(Slot.SAMPLER_NS, now_ns)
        self._note_load(now_ns)
        self.desk.tick(self._seconds(now_ns))
        self._hand_over([*self._collect(), *self._silent(now_ns)])
        self._tell_with_load(self._counters.overdue(self._seconds(now_ns)))
        self._say_drops(dropped_samples, now_ns)
        self._say_ready(now_ns)

    def seconds_to_turn(self) -> float:
        """How long until the next turn is due, when no alarm rings before."""
        now_ns = self._clock.monotonic_ns()
        wait_ns = self._next_full_ns - now_ns
        if self._alarm is not None:
            wait_ns += _GRACE_NS if self.threads.are_shared else 0
        else:
            past_ns = (now_ns - self._began_ns) % self._interval_ns
            after_ns = _AFTER_DEADLINE_NS - past_ns
            wait_ns = min(wait_ns, after_ns if after_ns > 0 else after_ns + self._interval_ns)
        if self.guard.awaits:
            wait_ns = min(wait_ns, self._interval_ns // _PENDING_SHARE)
        return max(wait_ns, 1_000_000) / NS_PER_SECOND

    def end(self, reason: str, dropped_samples: int) -> None:
        """Stop the threads, hand over what is left, and take leave."""
        self.threads.stop(_STOP_SECONDS)
        self._hand_over(self._collect())
        now_seconds = self._seconds(self._clock.monotonic_ns())
        self._tell_with_load(self._counters.rest(now_seconds))
        self._send(SamplerStopped(self.counts(dropped_samples), reason))

    def counts(self, dropped_samples: int) -> SamplerCounts:
        """What was done so far."""
        return SamplerCounts(
            **self._count,
            dropped=dropped_samples,
            missed=sum(worker.missed for worker in self.workers),
            late_p99_seconds=self._lateness.quantile(0.99),
            late_max_seconds=self._lateness.longest_seconds,
            cpu_seconds=_cpu_seconds(),
        )

    # --- parts -----------------------------------------------------------------------------------

    def _make_guard(self) -> Guard:
        pairs = [(it, chip) for chip in self._catalogue.chips for it in chip.channels]
        return Guard(
            self._config.limits,
            self._catalogue.channels,
            confirm_within_seconds=self._config.interval_seconds,
            periods={channel.key: chip.period_seconds for channel, chip in pairs},
            caches={channel.key: cache_seconds_of(chip) for channel, chip in pairs},
            accept_blind=self._config.accept_blind,
        )

    def _make_workers(self) -> list[ChipWorker]:
        chips = self._catalogue.chips
        interval_ns = self._interval_ns
        stagger_ns = min(_STAGGER_NS, interval_ns // max(len(chips), 1))
        start_ns = self._clock.monotonic_ns()
        return [
            ChipWorker(
                number,
                chip,
                Schedule(
                    start_ns + number * stagger_ns,
                    max(interval_ns, round(chip.period_seconds * NS_PER_SECOND)),
                ),
                clock=self._clock,
                run_started_ns=self._config.run_started_ns,
                desk=self.desk,
                hand_over=self._sweeps.append,
            )
            for number, chip in enumerate(chips)
        ]

    def _trip(self) -> None:
        self._board.trip(StopReason.LIMIT, self._clock.monotonic_ns())

    def _tell_stop(self, trip: Trip) -> None:
        self._send(GuardTripped(trip.stop, trip.since_seconds))

    def _tell(self, event: Event) -> None:
        self._send(SensorEvent(event))

    def _seconds(self, now_ns: int) -> float:
        return (now_ns - self._config.run_started_ns) / NS_PER_SECOND

    def _note_load(self, now_ns: int) -> None:
        board, lanes = self._board, range(self._board.lanes)
        states = [board.lane(lane, LaneSlot.STATE) for lane in lanes]
        verified = sum(board.lane(lane, LaneSlot.VERIFIED) for lane in lanes)
        self.desk.loaded_seconds = self._load.look(now_ns, states, verified)

    def _working_loads(self) -> list[int]:
        board = self._board
        working = [
            board.lane(lane, LaneSlot.LOAD)
            for lane in range(board.lanes)
            if board.lane(lane, LaneSlot.STATE) == LaneState.WORKING
        ]
        return sorted(set(working))

    def _collect(self) -> list[PackedSweep]:
        packed: list[PackedSweep] = []
        while self._sweeps:
            packed.append(self._take(self._sweeps.popleft()))
        return packed

    def _take(self, sweep: Sweep) -> PackedSweep:
        self._count["sweeps"] += 1
        interval_ns = self.workers[sweep.worker].schedule.interval_ns
        self._lateness.add(sweep.late_seconds, interval_ns / NS_PER_SECOND)
        if sweep.failure:
            self._tell_failure(sweep)
        if sweep.incidents:
            self._tell_incidents(sweep)
        packed = sweep.packed()
        if packed.missing or self._noticed.get(sweep.worker) is not sweep.readings:
            self._noticed[sweep.worker] = sweep.readings
            self._notice(self.workers[sweep.worker], sweep.readings, packed)
        return packed

    def _notice(self, worker: ChipWorker, readings: Sequence[Reading], packed: PackedSweep) -> None:
        at_seconds = packed.at_seconds
        for event in self._presence.see_all(worker.keys, readings, packed.missing, at_seconds):
            self._tell(event)
        if worker.number in self._counting:
            for reading in readings:
                risen = self._counters.see(reading, at_seconds, {})
                if risen is not None:
                    self._tell_with_load([risen])

    def _tell_incidents(self, sweep: Sweep) -> None:
        told = [self._counters.told(incident, {}) for incident in sweep.incidents]
        self._tell_with_load([event for event in told if event is not None])

    def _tell_with_load(self, events: Sequence[Event]) -> None:
        for event in events:
            self._tell(self._with_load(event))

    def _with_load(self, event: Event) -> Event:
        data = {**event.data, "loads": self._working_loads()}
        return Event(event.kind, event.at_seconds, event.text, data)

    def _tell_failure(self, sweep: Sweep) -> None:
        if sweep.worker in self._told_failures:
            return
        self._told_failures.add(sweep.worker)
        name = self.workers[sweep.worker].chip.name
        text = f"reading {name} failed inside rigproof; its channels are missing"
        data = {"traceback": sweep.failure}
        self._tell(Event(EventKind.WARNING, sweep.at_seconds, text, data))

    def _silent(self, now_ns: int) -> list[PackedSweep]:
        """Missing samples for chips whose read has been under way for too long."""
        silent: list[PackedSweep] = []
        for worker in self.workers:
            since_ns = worker.busy_since_ns
            if since_ns is None:
                continue
            waited = (now_ns - since_ns) / NS_PER_SECOND
            told_ns = self._told_silent_ns.get(worker.number, 0)
            due = now_ns - told_ns >= worker.schedule.interval_ns
            if waited > self._config.chip_deadline_seconds and due:
                self._told_silent_ns[worker.number] = now_ns
                why = f"no answer from the driver since {self._seconds(since_ns):.1f} s"
                readings = [Reading(key, None, why) for key in worker.keys]
                packed = PackedSweep.of(worker.keys, readings, self._seconds(now_ns), waited)
                self._noticed.pop(worker.number, None)  # the same readings again tell its return
                self._notice(worker, readings, packed)
                silent.append(packed)
        return silent

    def _hand_over(self, sweeps: list[PackedSweep]) -> None:
        if sweeps:
            batch = SampleBatch(tuple(sweeps))
            self._count["samples"] += batch.count
            self._count["missing"] += batch.missing
            self._send(batch)

    def _say_drops(self, dropped_samples: int, now_ns: int) -> None:
        fresh = dropped_samples - self._told_drops
        if fresh > 0:
            self._told_drops = dropped_samples
            text = f"{fresh} samples dropped: the run did not take them in time"
            data = {"samples": fresh, "total": dropped_samples}
            self._tell(Event(EventKind.DROPPED, self._seconds(now_ns), text, data))

    def _say_ready(self, now_ns: int) -> None:
        if self._ready:
            return
        waited = (now_ns - self._began_ns) / NS_PER_SECOND
        if all(it.sweeps for it in self.workers) or waited > self._config.chip_deadline_seconds:
            self._ready = True
            self._send(SamplerReady(self._seconds(now_ns)))


def sampler_main(config: SamplerConfig, board_path: str, connection: Connection) -> None:
    """Target of the sampler's process. Ends on :class:`StopSampling` or when the run has gone."""
    settle_process()
    outbox = Outbox(connection)
    try:
        catalogue = discover(Path(config.root), config.catalogue_options())
        board = Board.open(Path(board_path))
    except RigproofError as error:
        outbox.put(SamplerFailed(str(error)))
    except Exception as error:  # noqa: BLE001 - sent to the run with its traceback
        outbox.put(SamplerFailed(f"{type(error).__name__}: {error}", traceback.format_exc()))
    else:
        alarm = Alarm() if Alarm.is_possible() else None
        sampler = Sampler(config, catalogue, board, outbox.put, alarm=alarm)
        sampler.begin()
        reason = _loop(sampler, outbox, listener(connection, alarm), connection)
        sampler.end(reason, outbox.dropped_samples)
    outbox.close(_GOODBYE_SECONDS)


def _loop(
    sampler: Sampler, outbox: Outbox, hears: Callable[[float], bool], connection: Connection
) -> str:
    """Turn until told to stop; why it ended."""
    while True:
        sampler.turn(outbox.dropped_samples)
        if outbox.broken:
            return "the run has gone"
        try:
            if not hears(sampler.seconds_to_turn()):
                continue
            if isinstance(connection.recv(), StopSampling):
                return "asked to stop"
        except (EOFError, OSError):
            return "the run has gone"


def _telling(catalogue: Catalogue) -> frozenset[str]:
    return frozenset(
        channel.key
        for chip in catalogue.chips
        if isinstance(chip, TellingChip)
        for channel in chip.channels
    )


def _cpu_seconds() -> float:
    times = os.times()
    return times.user + times.system
