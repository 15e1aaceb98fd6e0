"""Pure stand-ins for the conductor's world: lanes that answer orders without any process.

`Stage` hands every instruction of the conductor to its fake lanes and feeds their answers back,
on a clock that moves only here. Faults are scripted by overriding what a lane answers.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from harness.assembly import TimeAxis
from harness.clock import NS_PER_SECOND
from harness.conductor import Conductor, Policy
from harness.happenings import (
    Begin,
    Finish,
    Happening,
    Instruction,
    KillLane,
    LaneDied,
    Send,
    Store,
    Tick,
)
from harness.lanes import messages as m
from harness.plan import Leg, Plan, PlannedLoad, Step
from harness.results import Event, Failure, LaneTrial, LoadInfo, SoakData, TrialData

GOLDEN = 0xABCDEF
PASS_SECONDS = 0.05
Answering = Callable[[int, m.Order], list[Happening] | None]


def load(number: int = 0, name: str = "mill", **more: object) -> PlannedLoad:
    """A load with plain values."""
    given: dict[str, object] = {
        "number": number,
        "name": name,
        "workload": name,
        "parameters": {},
        "memory_bytes": 1000,
        "paired": False,
        "available": True,
        "reason": "",
        "trials": 3,
        "minimum_trials": 3,
        "trial_seconds": 1.0,
        "unit": "part",
    }
    return PlannedLoad(**{**given, **more})  # type: ignore[arg-type]


def trial_steps(load_number: int, rounds: int, lanes: int, first: int = 0) -> tuple[Step, ...]:
    """One all-lanes trial a round."""
    leg = Leg(dict.fromkeys(range(lanes), load_number))
    return tuple(
        Step(first + index, load_number, index + 1, (leg,), "all-lanes") for index in range(rounds)
    )


def plan(loads: tuple[PlannedLoad, ...], steps: tuple[Step, ...], lanes: int = 2) -> Plan:
    """A plan on CPUs 0, 1, ..."""
    return Plan(loads, steps, tuple(range(lanes)), keep_prepared=True, memory_bytes=0)


def lane_trial(lane: int, passes: int, seconds: float) -> LaneTrial:
    """An undisturbed lane."""
    return LaneTrial(
        lane=lane,
        cpu=lane,
        passes=passes,
        work=float(passes),
        seconds=seconds,
        pass_mean_seconds=seconds / max(passes, 1),
        pass_p10_seconds=seconds / max(passes, 1),
        verified=passes,
        run_delay_seconds=0.0,
        involuntary_switches=0,
        major_faults=0,
        clock_hz=1e9,
    )


@dataclass
class Stage:
    """A conductor with fake lanes."""

    plan: Plan
    policy: Policy = field(default_factory=Policy)
    answering: Answering | None = None
    now_ns: int = 1_000 * NS_PER_SECOND
    stored: list[object] = field(default_factory=list)
    orders: list[tuple[int, m.Order]] = field(default_factory=list)
    instructions: list[Instruction] = field(default_factory=list)
    finish: Finish | None = None

    def __post_init__(self) -> None:
        self.conductor = Conductor(self.plan, self.policy, TimeAxis(self.now_ns, 1))
        self._queue: deque[Happening] = deque()
        self._runs: dict[int, m.Run] = {}

    def begin(self) -> None:
        """Start, and let every lane report itself."""
        self.feed(Begin())
        for lane in range(self.plan.lanes):
            self.feed(m.LaneUp(lane, 100 + lane, lane, 0.01))

    def play(self, steps: int = 10_000) -> Finish:
        """Begin and go on until the conductor finishes."""
        self.begin()
        for _ in range(steps):
            if self.finish is not None:
                return self.finish
            self.tick(0.1)
        raise AssertionError("the conductor never finished")

    def tick(self, seconds: float, **values: Mapping[object, float]) -> None:
        """Let time pass and say so."""
        self.now_ns += round(seconds * NS_PER_SECOND)
        self.feed(Tick(**values))  # type: ignore[arg-type]

    def feed(self, happening: Happening) -> None:
        """Hand one happening over, then everything that the fake lanes answer to it."""
        self._queue.append(happening)
        while self._queue:
            for instruction in self.conductor.handle(self._queue.popleft(), self.now_ns):
                self._perform(instruction)

    def _perform(self, instruction: Instruction) -> None:
        self.instructions.append(instruction)
        match instruction:
            case Send(lane, order):
                self.orders.append((lane, order))
                scripted = self.answering(lane, order) if self.answering else None
                self._queue.extend(self._usual(lane, order) if scripted is None else scripted)
            case Store(item):
                self.stored.append(item)
            case KillLane(lane):
                self._queue.append(LaneDied(lane, "killed by signal 9, SIGKILL"))
            case Finish():
                self.finish = instruction

    def _usual(self, lane: int, order: m.Order) -> list[Happening]:
        match order:
            case m.Prepare(load=number):
                return [m.Prepared(lane, number, 1.0, "path", 0.01)]
            case m.Probe(load=number):
                times = (PASS_SECONDS * 1.05, PASS_SECONDS, PASS_SECONDS)
                return [m.Probed(lane, number, times, (GOLDEN,) * 3, ())]
            case m.Run():
                self._runs[lane] = order
                return [m.Ready(lane, order.stretch)]
            case m.Go():
                return [self.done(lane, self._runs[lane], order.start_ns)]
            case m.Recheck(load=number, failure=failure):
                return [m.Rechecked(lane, number, failure, GOLDEN)]
        return []

    def done(self, lane: int, run: m.Run, start_ns: int, **more: object) -> m.Done:
        """What a lane says after an undisturbed stretch."""
        seconds = run.seconds or (run.passes or 0) * PASS_SECONDS
        passes = run.passes or round(seconds / PASS_SECONDS)
        end_ns = start_ns + round(seconds * NS_PER_SECOND)
        self.now_ns = max(self.now_ns, end_ns)
        result = lane_trial(lane, passes, seconds)
        done = m.Done(lane, run.stretch, run.load, result, start_ns, end_ns, 0, False)
        return replace(done, **more)  # type: ignore[arg-type]

    def note_run(self, lane: int, run: m.Run) -> None:
        """A lane whose answer to `Run` is scripted works like the others when it is to go."""
        self._runs[lane] = run

    def run_of(self, lane: int) -> m.Run:
        """The last stretch that a lane was told to run."""
        return self._runs[lane]

    def kept(self, kind: type) -> list[object]:
        """Everything of one kind that was stored."""
        return [item for item in self.stored if isinstance(item, kind)]

    @property
    def failures(self) -> list[Failure]:
        """Failures stored."""
        return [item for item in self.stored if isinstance(item, Failure)]

    @property
    def trials(self) -> list[TrialData]:
        """Trials stored."""
        return [item for item in self.stored if isinstance(item, TrialData)]

    @property
    def soaks(self) -> list[SoakData]:
        """Soaks stored."""
        return [item for item in self.stored if isinstance(item, SoakData)]

    @property
    def infos(self) -> list[LoadInfo]:
        """Loads as stored."""
        return [item for item in self.stored if isinstance(item, LoadInfo)]

    @property
    def events(self) -> list[Event]:
        """Events stored."""
        return [item for item in self.stored if isinstance(item, Event)]


def simple(lanes: int = 2, **policy: object) -> Stage:
    """Three trials of one load."""
    return Stage(plan((load(),), trial_steps(0, 3, lanes), lanes), Policy(**policy))  # type: ignore[arg-type]


def going_on(**policy: object) -> Stage:
    """The same, not stopped by failures."""
    return simple(stop_on_failure=False, **policy)


def soak(seconds: float = 60.0, lanes: int = 2) -> Stage:
    """One soak of one load."""
    leg = Leg(dict.fromkeys(range(lanes), 0), seconds=seconds)
    steps = (Step(0, 0, 0, (leg,), "all-lanes"),)
    return Stage(plan((load(trials=0, soak_seconds=seconds),), steps, lanes))


def held(stage: Stage, order: type, lane: int | None = None) -> Stage:
    """Let lanes (or one) never answer orders of this type."""

    def answer(number: int, given: m.Order) -> list[Happening] | None:
        silent = isinstance(given, order) and lane in {None, number}
        return [] if silent else None

    stage.answering = answer
    return stage


def varied(stage: Stage) -> Stage:
    """Let every trial be a little slower than the one before: no two real ones are alike."""
    scripted = stage.answering or (lambda _lane, _order: None)

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        said = scripted(lane, order)
        if said is not None or not isinstance(order, m.Go):
            return said
        run = stage.run_of(lane)
        done = stage.done(lane, run, order.start_ns)
        seconds = done.result.seconds * (1 + run.stretch / 500)
        return [replace(done, result=lane_trial(lane, done.result.passes, seconds))]

    stage.answering = answer
    return stage
