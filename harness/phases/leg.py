"""One leg: its loads are built, its lanes get ready, start together, and are heard out."""

from __future__ import annotations

from enum import Enum, auto

from harness.assembly import LegDone
from harness.board import SILENCE_NS
from harness.clock import NS_PER_SECOND
from harness.happenings import (
    Happening,
    Instruction,
    LaneDied,
    Release,
    Send,
    StoodStill,
    Store,
    Suspended,
    Tick,
)
from harness.lanes.messages import Done, Go, LaneTrouble, Prepared, Ready, Run
from harness.phases.calibration import drop_everywhere, pairing, prepare_order
from harness.phases.partial import partial_soak
from harness.phases.state import READY_SECONDS, RunState, Waiting, prepare_seconds
from harness.plan import Leg, Step
from harness.results import EventKind

#: All lanes start together this long after the last one is ready.
LEAD_NS = 50_000_000
#: Unfinished soaks write their progress this often.
PROGRESS_NS = 10 * NS_PER_SECOND

#: Passes longer than this share of a burst blur its edges.
_SHARP_SHARE = 0.25


class Stage(Enum):
    """Where a leg is."""

    NEW = auto()
    PREPARING = auto()
    READYING = auto()
    RUNNING = auto()
    OVER = auto()


class LegRun:
    """Carries one leg out; `done` holds what the lanes said, `spoilt` that something went wrong."""

    def __init__(self, state: RunState, step: Step, leg: Leg, stretch: int, *, stop: bool) -> None:
        self._state = state
        self._step = step
        self._leg = leg
        self._stretch = stretch
        self._stop_on_failure = stop
        self._stage = Stage.NEW
        self._waiting = Waiting()
        self._ready: set[int] = set()
        self._dones: list[Done] = []
        self._started_ns = 0
        self._next_progress_ns = 0
        self._verified_before: dict[int, int] = {}
        self.spoilt = False
        #: Nobody was there to hear the lanes for longer than they work unheard.
        self._stood_still = False

    @property
    def busy(self) -> bool:
        """True while a lane owes an answer."""
        return bool(self._waiting.lanes)

    @property
    def over(self) -> bool:
        """True when nothing is left to do."""
        return self._stage is Stage.OVER

    @property
    def done(self) -> LegDone:
        """What the lanes said."""
        return LegDone(tuple(self._dones), self._leg.paired)

    @property
    def unbroken(self) -> bool:
        """True when every lane used its work or time up."""
        whole = len(self._dones) == len(self._leg.work)
        return whole and not self._stood_still and not any(done.stopped for done in self._dones)

    def advance(self, now_ns: int) -> list[Instruction]:
        """The next stage."""
        if self._stage is Stage.RUNNING:
            return self._collect(now_ns)
        lanes = self._lanes()
        if self._stage is Stage.READYING:
            lanes = tuple(lane for lane in lanes if lane in self._ready)
        if not lanes or (self._leg.paired and len(lanes) < 2):
            self._stage, self.spoilt = Stage.OVER, True
            return []
        if self._stage is Stage.NEW:
            return self._prepare(lanes, now_ns)
        if self._stage is Stage.PREPARING:
            return self._get_ready(lanes, now_ns)
        return self._go(lanes, now_ns)

    def _lanes(self) -> tuple[int, ...]:
        alive = self._state.alive(sorted(self._leg.work))
        return tuple(lane for lane in alive if self._state.usable(self._leg.work[lane]))

    def _prepare(self, lanes: tuple[int, ...], now_ns: int) -> list[Instruction]:
        self._stage = Stage.PREPARING
        out = [] if self._state.plan.keep_prepared else self._make_room()
        missing = [lane for lane in lanes if self._leg.paired or not self._is_built(lane)]
        loads = [self._state.plan.load(self._leg.work[lane]) for lane in missing]
        self._waiting.begin(missing, now_ns, max(map(prepare_seconds, loads), default=0.0))
        for lane in missing:
            load = self._state.plan.load(self._leg.work[lane])
            out.append(Send(lane, prepare_order(load, pairing(load, lanes, lane))))
        return out

    def _is_built(self, lane: int) -> bool:
        return self._leg.work[lane] in self._state.prepared.get(lane, set())

    def _make_room(self) -> list[Instruction]:
        """Free what this leg does not need; memory does not suffice for everything at once."""
        built = {load for loads in self._state.prepared.values() for load in loads}
        needless = sorted(built - set(self._leg.work.values()))
        return [order for load in needless for order in drop_everywhere(self._state, load)]

    def _get_ready(self, lanes: tuple[int, ...], now_ns: int) -> list[Instruction]:
        self._stage = Stage.READYING
        self._waiting.begin(lanes, now_ns, READY_SECONDS + self._longest_silence())
        return [Send(lane, self._order(lane)) for lane in lanes]

    def _longest_silence(self) -> float:
        return max(map(self._state.silence_seconds, self._leg.work.values()))

    def _own_time(self) -> float:
        """What passes that end at a time of their own may last beyond what was expected."""
        if self._leg.seconds is not None:
            return max(self._state.pass_limits.get(load, 0.0) for load in self._leg.work.values())
        state = self._state
        return max(
            state.passes.get(load, {}).get(lane, 1) * state.pass_limits.get(load, 0.0)
            for lane, load in self._leg.work.items()
        )

    def _order(self, lane: int) -> Run:
        load = self._leg.work[lane]
        by_lane = self._state.passes.get(load, {})
        return Run(
            stretch=self._stretch,
            load=load,
            golden=self._state.goldens.get(load),
            passes=by_lane.get(lane) if self._leg.seconds is None else None,
            seconds=self._leg.seconds,
            gate=self._step.gate,
            stop_on_failure=self._stop_on_failure,
            together=self._together(),
            sabotage=self._state.sabotage.pop(lane, None),
        )

    def _together(self) -> tuple[int, ...]:
        """The lanes that keep each other's load up; pairs keep step by themselves."""
        counted = self._leg.seconds is None and self._step.gate is None and not self._leg.paired
        return self._lanes() if counted else ()

    def _go(self, lanes: tuple[int, ...], now_ns: int) -> list[Instruction]:
        self._stage = Stage.RUNNING
        self._state.working = True
        self._state.running = {lane: self._leg.work[lane] for lane in lanes}
        self._started_ns = now_ns + LEAD_NS
        self._next_progress_ns = now_ns + PROGRESS_NS
        most = 3 * self._expected_seconds() + 60.0 + self._own_time()
        self._waiting.begin(lanes, now_ns, most)
        out: list[Instruction] = [self._load_started(lanes, now_ns), *self._blunt_edges(now_ns)]
        absent = tuple(lane for lane in sorted(self._leg.work) if lane not in lanes)
        return out + [Send(lane, Go(self._stretch, self._started_ns, absent)) for lane in lanes]

    def _blunt_edges(self, now_ns: int) -> list[Instruction]:
        """A lane looks at the clock between passes: say so when a pass blurs the load steps."""
        gate = self._step.gate
        longest = max(self._state.pass_seconds.get(load, 0.0) for load in self._leg.work.values())
        if gate is None or longest * NS_PER_SECOND <= _SHARP_SHARE * gate.window_ns:
            return []
        text = (
            f"a pass takes {1000 * longest:.1f} ms, a burst of this pattern "
            f"{gate.window_ns / 1e6:.1f} ms: its edges are blurred, use smaller parameters"
        )
        return [self._state.event(EventKind.WARNING, now_ns, text)]

    def _expected_seconds(self) -> float:
        if self._leg.seconds is not None:
            return self._leg.seconds
        state = self._state
        return max(
            state.passes.get(load, {}).get(lane, 1) * state.pass_seconds.get(load, 0.0)
            for lane, load in self._leg.work.items()
        )

    def _load_started(self, lanes: tuple[int, ...], now_ns: int) -> Store:
        step, load = self._step, self._state.plan.load(self._step.load)
        data = {
            "load": load.number,
            "name": load.name,
            "workload": load.workload,
            "cpus": [self._state.plan.cpus[lane] for lane in lanes],
            "pattern": step.pattern,
            "trial": step.number if step.is_trial else None,
            "round": step.round if step.is_trial else None,
        }
        where = "trial" if step.is_trial else step.pattern
        return self._state.event(EventKind.LOAD_STARTED, now_ns, f"{load.name} ({where})", data)

    def wind_up(self, now_ns: int) -> list[Instruction]:
        """The run ends here: what the lanes have said so far counts, as spoilt."""
        self.spoilt = True
        return self._collect(now_ns) if self._stage is Stage.RUNNING else []

    def _collect(self, now_ns: int) -> list[Instruction]:
        self._stage = Stage.OVER
        self._state.working = False
        self._state.running = {}
        wrong = any(done.stopped or done.failures or done.doubts for done in self._dones)
        self.spoilt = self.spoilt or wrong or len(self._dones) < len(self._leg.work)
        name = self._state.plan.load(self._step.load).name
        data = {"load": self._step.load}
        out: list[Instruction] = [self._state.event(EventKind.LOAD_ENDED, now_ns, name, data)]
        return out + (drop_everywhere(self._state, self._step.load) if self._leg.paired else [])

    def hear(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """React to what happened."""
        match happening:
            case Prepared():
                self._state.note_prepared(happening)
                self._answered(happening.lane, Stage.PREPARING)
            case Ready() if happening.stretch == self._stretch:
                self._ready.add(happening.lane)
                self._answered(happening.lane, Stage.READYING)
                return self._without_clock(happening, now_ns)
            case Done() if happening.stretch == self._stretch:
                self._dones.append(happening)
                self._answered(happening.lane, Stage.RUNNING)
            case LaneTrouble() | LaneDied():
                return self._lost(happening)
            case Suspended():
                self.spoilt = self.spoilt or self._stage is Stage.RUNNING
            case StoodStill(seconds):
                running = self._stage is Stage.RUNNING
                self.spoilt = self.spoilt or running
                long = seconds * NS_PER_SECOND >= SILENCE_NS
                self._stood_still = self._stood_still or (running and long)
                self._waiting.extend(seconds)
            case Tick():
                return self._tick(happening, now_ns)
        return []

    def _without_clock(self, ready: Ready, now_ns: int) -> list[Instruction]:
        """A lane whose clock cannot be measured works all the same; it is told once why."""
        if not ready.no_clock or ready.lane in self._state.without_clock:
            return []
        self._state.without_clock.add(ready.lane)
        text = f"lane {ready.lane}: its trials show no clock: {ready.no_clock}"
        return [self._state.event(EventKind.WARNING, now_ns, text, {"lane": ready.lane})]

    def _answered(self, lane: int, stage: Stage) -> None:
        if self._stage is stage:
            self._waiting.lanes.discard(lane)

    def _lost(self, happening: LaneTrouble | LaneDied) -> list[Instruction]:
        self.spoilt = True
        self._waiting.lanes.discard(happening.lane)
        if isinstance(happening, LaneTrouble) and self._stage is Stage.PREPARING:
            load = self._leg.work[happening.lane]
            self._state.unusable.setdefault(load, happening.summary)
        return self._release()

    def _release(self) -> list[Instruction]:
        """The others need not wait for a lane that will not finish."""
        return [Release(self._stretch)] if self._stage is Stage.RUNNING else []

    def _tick(self, tick: Tick, now_ns: int) -> list[Instruction]:
        late = self._waiting.late(now_ns)
        if self._stage is Stage.RUNNING:
            late |= self._silent(tick, now_ns)
        self._waiting.lanes -= late
        self.spoilt = self.spoilt or bool(late)
        doing = f"{self._stage.name.lower()} {self._state.plan.load(self._step.load).name}"
        out = self._state.hung(sorted(late), now_ns, doing, self._step.load)
        if late:
            out += self._release()
        return out + self._progress(tick, now_ns)

    def _silent(self, tick: Tick, now_ns: int) -> set[int]:
        """Lanes without a heartbeat, counted from the start at the earliest: a lane that was
        ready early has waited in silence for the others."""
        working = (now_ns - self._started_ns) / NS_PER_SECOND
        return {
            lane
            for lane in self._waiting.lanes
            if min(tick.silent_seconds.get(lane, 0.0), working)
            > self._state.silence_seconds(self._leg.work[lane])
        }

    def _progress(self, tick: Tick, now_ns: int) -> list[Instruction]:
        """What an unfinished soak has verified so far, so that a crash loses seconds of it."""
        if self._stage is not Stage.RUNNING or self._step.is_trial:
            return []
        if not self._verified_before:
            self._verified_before = dict(tick.verified)
        if now_ns < self._next_progress_ns:
            return []
        self._next_progress_ns = now_ns + PROGRESS_NS
        before = self._verified_before
        verified = {lane: tick.verified.get(lane, 0) - before.get(lane, 0) for lane in before}
        soaks = partial_soak(
            self._state, self._step, self._leg, verified, (self._started_ns, now_ns)
        )
        return [Store(soak) for soak in soaks]
