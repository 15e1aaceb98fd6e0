"""What all phases share: the plan, the time axis, which lanes live, what has been settled."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from harness.assembly import TimeAxis
from harness.clock import NS_PER_SECOND
from harness.happenings import Happening, Instruction, KillLane, Store
from harness.lanes.messages import Prepared, Sabotage
from harness.plan import Plan, PlannedLoad
from harness.results import Event, EventKind, Failure, FailureKind, LoadInfo

#: A lane must report itself within this time of its start.
GATHER_SECONDS = 60.0
#: Building a load's buffers and compiling its kernels may take this long, and filling memory as
#: much longer as this rate asks (a tenth of what first touches of 4 KiB pages reached, measured).
PREPARE_SECONDS = 180.0
FILL_BYTES_PER_SECOND = 80e6
#: A probe is content with fewer passes than usual once they have taken this long.
PROBE_ENOUGH_SECONDS = 60.0
#: Warming up and measuring the clock may take this long, beside twenty of its passes.
READY_SECONDS = 60.0
#: A working lane whose heartbeat is older than this, or than twenty of its passes, hangs; where a
#: pass ends by itself at a time of its own (a program's time-out), not before that time either.
#: Before any pass has been timed: `Workload.longest_pass_seconds`, three minutes to a day.
HANG_SECONDS = 10.0


class Phase(Protocol):
    """A part of the run. The conductor calls `advance` whenever the phase is not busy."""

    @property
    def busy(self) -> bool:
        """True while lanes are expected to answer."""
        ...

    @property
    def only_waiting(self) -> bool:
        """True when it is busy without a lane at work, so that a stop need not wait for it."""
        ...

    @property
    def finished(self) -> bool:
        """True when there is nothing left to do."""
        ...

    def advance(self, now_ns: int) -> list[Instruction]:
        """Begin the next piece of work."""
        ...

    def hear(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """React to what happened."""
        ...

    def wind_up(self, now_ns: int) -> list[Instruction]:
        """The run ends here: keep what has been measured so far."""
        ...


@dataclass
class RunState:
    """Mutable state shared by the phases; only the conductor and its phases touch it."""

    plan: Plan
    axis: TimeAxis
    infos: dict[int, LoadInfo] = field(default_factory=dict)
    goldens: dict[int, int | None] = field(default_factory=dict)
    passes: dict[int, Mapping[int, int]] = field(default_factory=dict)
    pass_seconds: dict[int, float] = field(default_factory=dict)
    work_per_pass: dict[int, float] = field(default_factory=dict)
    code_paths: dict[int, str] = field(default_factory=dict)
    #: By load, see `Prepared`.
    longest_passes: dict[int, float] = field(default_factory=dict)
    pass_limits: dict[int, float] = field(default_factory=dict)
    #: Loads that cannot be run after all, and why.
    unusable: dict[int, str] = field(default_factory=dict)
    #: Which load each lane works on just now.
    running: dict[int, int] = field(default_factory=dict)
    lost: set[int] = field(default_factory=set)
    #: Lanes that were killed because they hung: their death is no second failure.
    condemned: set[int] = field(default_factory=set)
    prepared: dict[int, set[int]] = field(default_factory=dict)
    #: Bits that the next stretch of a lane shall flip on purpose; each is used once.
    sabotage: dict[int, Sabotage] = field(default_factory=dict)
    #: Lanes of which has been told that they cannot measure their clock.
    without_clock: set[int] = field(default_factory=set)
    working: bool = False
    failures: int = 0
    last_failure: str = ""

    def alive(self, lanes: Iterable[int]) -> tuple[int, ...]:
        """Those of `lanes` that have not been lost."""
        return tuple(lane for lane in lanes if lane not in self.lost)

    def usable(self, load: int) -> bool:
        """True when the load can be run: available, prepared without trouble, golden known."""
        return self.plan.load(load).available and load not in self.unusable

    def event(
        self, kind: EventKind, now_ns: int, text: str, data: Mapping[str, object] | None = None
    ) -> Store:
        """An event for the record."""
        return Store(Event(kind, self.axis.seconds(now_ns), text, data or {}))

    def failure(
        self,
        kind: FailureKind,
        now_ns: int,
        detail: str,
        lane: int | None = None,
        load: int | None = None,
    ) -> Store:
        """A failure for the record; counted."""
        self.failures += 1
        where = "" if lane is None else f" on lane {lane}"
        self.last_failure = f"{kind}{where}"
        workload = None if load is None else self.plan.load(load).workload
        cpu = None if lane is None else self.plan.cpus[lane]
        return Store(Failure(kind, workload, lane, cpu, self.axis.seconds(now_ns), detail))

    def note_prepared(self, answer: Prepared) -> None:
        """Remember what a lane has built."""
        self.prepared.setdefault(answer.lane, set()).add(answer.load)
        self.work_per_pass[answer.load] = answer.work_per_pass
        self.code_paths[answer.load] = answer.code_path
        self.longest_passes[answer.load] = answer.longest_pass_seconds
        self.pass_limits[answer.load] = answer.pass_limit_seconds

    def silence_seconds(self, load: int) -> float:
        """How long a lane that works on `load`, whose passes have been timed, may be silent."""
        passes = 20 * self.pass_seconds.get(load, 0.0)
        limit = self.pass_limits.get(load, 0.0)
        return max(HANG_SECONDS, passes, limit + HANG_SECONDS if limit else 0.0)

    def hung(
        self, lanes: Iterable[int], now_ns: int, doing: str, load: int | None
    ) -> list[Instruction]:
        """Lanes that did not answer in time: a failure each, and the end of them."""
        out: list[Instruction] = []
        for lane in lanes:
            self.condemned.add(lane)
            self.lost.add(lane)
            detail = f"no sign of life while {doing}; the lane was ended"
            out.append(self.failure(FailureKind.LANE_HUNG, now_ns, detail, lane, load))
            out.append(KillLane(lane))
        return out


@dataclass
class Waiting:
    """The lanes that are expected to answer, and until when."""

    lanes: set[int] = field(default_factory=set)
    deadline_ns: int = 0

    def begin(self, lanes: Iterable[int], now_ns: int, seconds: float) -> None:
        """Expect an answer of each of `lanes` within `seconds`."""
        self.lanes = set(lanes)
        self.deadline_ns = now_ns + round(seconds * NS_PER_SECOND)

    def extend(self, seconds: float) -> None:
        """Allow them this much longer: the time in which nobody could have heard an answer."""
        self.deadline_ns += round(seconds * NS_PER_SECOND)

    def late(self, now_ns: int) -> set[int]:
        """The lanes still owing an answer after the deadline."""
        return self.lanes.copy() if now_ns > self.deadline_ns else set()


def prepare_seconds(load: PlannedLoad) -> float:
    """How long a lane may take to build a load."""
    return PREPARE_SECONDS + load.memory_bytes / FILL_BYTES_PER_SECOND


def load_info(load: PlannedLoad, state: RunState, golden_origin: str = "") -> LoadInfo:
    """A load as the record keeps it, with what has been settled so far."""
    golden = state.goldens.get(load.number)
    return LoadInfo(
        number=load.number,
        name=load.name,
        workload=load.workload,
        workload_version=load.version,
        family=load.family,
        unit=load.unit,
        check=load.check,
        parameters=load.parameters,
        code_path=state.code_paths.get(load.number, ""),
        lower_is_better=load.lower_is_better,
        basis=load.basis,
        pattern=load.pattern,
        trials=load.trials,
        passes=dict(state.passes.get(load.number, {})),
        golden=None if golden is None else f"{golden:016x}",
        golden_origin=golden_origin,
        work_per_pass=state.work_per_pass.get(load.number),
        available=load.available and load.number not in state.unusable,
        reason=load.reason or state.unusable.get(load.number, ""),
    )
