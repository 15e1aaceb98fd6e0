"""From a profile to an ordered plan of work: pure, seeded, the same every time.

A plan is made of *steps* (one trial, or one soak), each made of *legs*: stretches in which some
lanes work and the others idle. Patterns disappear here: to the conductor there are only legs.
Trials come in rounds, each load once a round in a seeded random order (a randomised block
design), so that a slow drift of the machine touches all loads alike. A load with fewer trials than
another sits out the last rounds of each boot.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Any

from harness.errors import ProfileError
from harness.lanes.gate import Bursts, Gate, SquareWave
from harness.profile.patterns import (
    AfterSuspend,
    HalfLanes,
    IdleBursts,
    LoadSteps,
    Mixed,
    OneLaneMoving,
    Pairs,
)

if TYPE_CHECKING:
    from harness.profile.model import Load, Profile
    from workloads.contract import Workload

#: All lanes get the same inputs, and shipped goldens are made for this seed.
INPUT_SEED = 1
#: Concurrent load that a calibration takes per load, beside at least this many passes.
PROBE_SECONDS = 1.0
PROBE_PASSES = 3
#: Overhead of one stretch (warm-up pass, clock measurement, synchronised start), for estimates.
STRETCH_OVERHEAD_SECONDS = 0.15
_LANE_BASE_BYTES = 200 * 2**20
_NS = 1_000_000_000


@dataclass(frozen=True)
class PlannedLoad:
    """One load, its workload looked up, its parameters complete."""

    number: int
    name: str
    workload: str
    parameters: Mapping[str, Any]
    memory_bytes: int
    paired: bool
    available: bool
    reason: str
    trials: int = 0
    minimum_trials: int = 0
    half_width_percent: float | None = None
    #: Of the interval whose half width that is.
    confidence: float = 0.95
    trial_seconds: float = 0.0
    soak_seconds: float | None = None
    pattern: str = "all-lanes"
    #: True for a workload that only accompanies others in a mixed pattern.
    companion: bool = False
    version: int = 0
    family: str = ""
    unit: str = ""
    check: str = ""
    basis: str = "mean"
    lower_is_better: bool = False
    shipped_golden: int | None = None


@dataclass(frozen=True)
class Leg:
    """A stretch of load: which lane runs which load; the lanes not named idle."""

    work: Mapping[int, int]
    paired: bool = False
    seconds: float | None = None


@dataclass(frozen=True)
class Step:
    """One trial (`round` > 0: which of its load's own trials it is) or one soak (`round` 0)."""

    number: int
    load: int
    round: int
    legs: tuple[Leg, ...]
    pattern: str
    gate: Gate | None = None
    #: Seconds of suspend that must be seen before the load starts, or None.
    after_suspend_seconds: float | None = None

    @property
    def is_trial(self) -> bool:
        """True for a trial, False for a soak."""
        return self.round > 0


@dataclass(frozen=True)
class Plan:
    """Everything that will be done, in order, for one boot."""

    loads: tuple[PlannedLoad, ...]
    steps: tuple[Step, ...]
    #: Logical CPU of each lane; None where the system cannot pin.
    cpus: tuple[int | None, ...]
    #: Tasks stay prepared from step to step; False when memory only suffices for one at a time.
    keep_prepared: bool
    memory_bytes: int
    frozen_passes: Mapping[str, Mapping[int, int]] = field(default_factory=dict)
    #: Goldens agreed earlier, by load: (code path, digest). They hold where the path is the same.
    known_goldens: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    #: Loads that the record describes already: those without work left are not described again.
    described: frozenset[int] = frozenset()

    @property
    def lanes(self) -> int:
        """Number of lanes."""
        return len(self.cpus)

    @property
    def rounds(self) -> int:
        """Number of rounds of trials."""
        return max((step.round for step in self.steps), default=0)

    @property
    def trials(self) -> int:
        """Number of trials, over all loads."""
        return sum(step.is_trial for step in self.steps)

    def load(self, number: int) -> PlannedLoad:
        """A load by its number."""
        return self.loads[number]

    def estimated_seconds(self) -> float:
        """How long the plan takes if nothing waits: calibration, trials, soaks, overheads."""
        used = {load for step in self.steps for leg in step.legs for load in leg.work.values()}
        probes = (PROBE_SECONDS + 0.5) * len(used)
        return probes + sum(self._step_seconds(step) for step in self.steps)

    def _step_seconds(self, step: Step) -> float:
        own = self.loads[step.load].trial_seconds
        return sum(
            (own if leg.seconds is None else leg.seconds) + STRETCH_OVERHEAD_SECONDS
            for leg in step.legs
        )


def make_plan(
    profile: Profile,
    cpus: Sequence[int | None],
    *,
    available_bytes: int | None = None,
    allow_commands: bool = False,
    select: str = "",
    boot: int = 1,
    frozen_passes: Mapping[str, Mapping[int, int]] | None = None,
    known_goldens: Mapping[str, tuple[str, int]] | None = None,
) -> Plan:
    """Plan one boot of `profile` for lanes on `cpus`.

    Each load's trials are spread over the profile's boots; soaks belong to the last one.
    `select` keeps the loads whose name contains it. Raises ProfileError when nothing is left.
    """
    chosen = selected_loads(profile, select)
    planner = _Planner(profile, tuple(cpus), allow_commands)
    loads, mixes = planner.loads(chosen)
    steps = planner.steps(chosen, loads, mixes, boot)
    keep, memory = _memory(loads, len(cpus), available_bytes)
    return Plan(
        loads,
        steps,
        tuple(cpus),
        keep,
        memory,
        dict(frozen_passes or {}),
        dict(known_goldens or {}),
    )


def selected_loads(profile: Profile, select: str) -> list[Load]:
    """The loads whose name contains `select`. Raises ProfileError when there is none."""
    chosen = [load for load in profile.loads if select in load.name]
    if not chosen:
        names = ", ".join(load.name for load in profile.loads)
        raise ProfileError(f"-k {select!r} selects no load; loads of {profile.name}: {names}")
    return chosen


def _memory(
    loads: Sequence[PlannedLoad], lanes: int, available_bytes: int | None
) -> tuple[bool, int]:
    """Whether all tasks fit side by side, and the bytes that the plan then needs."""
    sizes = [load.memory_bytes for load in loads if load.available]
    base = _LANE_BASE_BYTES * lanes
    together = base + lanes * sum(sizes)
    if available_bytes is None or together <= available_bytes * 0.8:
        return True, together
    return False, base + lanes * max(sizes, default=0)


class _Planner:
    def __init__(
        self, profile: Profile, cpus: tuple[int | None, ...], allow_commands: bool
    ) -> None:
        self._profile = profile
        self._cpus = cpus
        self._lanes = tuple(range(len(cpus)))
        self._allow_commands = allow_commands

    def loads(
        self, chosen: Sequence[Load]
    ) -> tuple[tuple[PlannedLoad, ...], dict[int, tuple[int, ...]]]:
        """All loads by number, companions of mixed patterns behind, and who is mixed with whom."""
        planned = [self._planned(number, load) for number, load in enumerate(chosen)]
        by_name = {load.name: load.number for load in planned}
        mixes: dict[int, tuple[int, ...]] = {}
        for number, load in enumerate(chosen):
            if isinstance(load.pattern, Mixed):
                others = [self._companion(name, planned, by_name) for name in load.pattern.others]
                mixes[number] = tuple(others)
        return tuple(planned), mixes

    def _companion(self, name: str, planned: list[PlannedLoad], by_name: dict[str, int]) -> int:
        if name not in by_name:
            source = next((load for load in self._profile.loads if load.name == name), None)
            workload = name if source is None else source.workload
            parameters = {} if source is None else source.parameters
            number = len(planned)
            planned.append(self._describe(number, name, workload, parameters, companion=True))
            by_name[name] = number
        return by_name[name]

    def _planned(self, number: int, load: Load) -> PlannedLoad:
        return self._describe(
            number,
            load.name,
            load.workload,
            load.parameters,
            trials=load.maximum_trials,
            minimum_trials=load.minimum_trials,
            half_width_percent=load.half_width_percent,
            confidence=self._profile.confidence,
            trial_seconds=load.trial_seconds,
            soak_seconds=load.soak_duration_seconds,
            pattern=load.pattern.kind,
        )

    def _describe(
        self, number: int, name: str, workload: str, given: Mapping[str, Any], **more: Any
    ) -> PlannedLoad:
        from workloads.registry import load as load_workload

        found = load_workload(workload)
        parameters = found.for_lanes(found.complete(given), len(self._cpus))
        reason = self._refusal(found, parameters, more)
        return PlannedLoad(
            number=number,
            name=name,
            workload=workload,
            parameters=parameters,
            memory_bytes=0 if reason else found.memory_bytes(parameters),
            paired=found.paired,
            available=not reason,
            reason=reason,
            version=found.version,
            family=found.family,
            unit=found.unit,
            check=found.check,
            basis=found.basis,
            lower_is_better=found.lower_is_better,
            shipped_golden=None if reason else found.golden(parameters, INPUT_SEED),
            **more,
        )

    def _refusal(
        self, workload: Workload, parameters: Mapping[str, Any], more: Mapping[str, Any]
    ) -> str:
        pattern = more.get("pattern", "mixed")
        if workload.needs_permission and not self._allow_commands:
            return "starts a program of the profile: needs --allow-commands"
        if (workload.paired or "companion" in more) and len(self._cpus) < 2:
            return "needs two lanes, this process may use one CPU"
        if workload.paired != (pattern == "pairs"):
            return "needs pattern: pairs" if workload.paired else "is no paired workload"
        availability = workload.availability_with(parameters)
        return "" if availability.available else availability.reason or "not available here"

    def steps(
        self,
        chosen: Sequence[Load],
        loads: Sequence[PlannedLoad],
        mixes: Mapping[int, tuple[int, ...]],
        boot: int,
    ) -> tuple[Step, ...]:
        """Rounds of trials first, then the soaks in the profile's order."""
        steps: list[Step] = []
        order = self._order(loads)
        for number, (at_boot, round_, load) in enumerate(order):
            if at_boot == boot:
                steps.append(self._trial(number, chosen[load.number], load, round_))
        number = len(order)
        for load in loads if boot == self._profile.boots else ():
            if load.available and load.soak_seconds is not None:
                group = (load.number, *mixes.get(load.number, ()))
                usable = tuple(item for item in group if loads[item].available)
                soaks = self._soak(number, chosen[load.number], load, usable)
                number += len(soaks)
                steps += soaks
        return tuple(steps)

    def _order(self, loads: Sequence[PlannedLoad]) -> list[tuple[int, int, PlannedLoad]]:
        """(boot, round, load) of all trials of the run, so that a trial's number and place in the
        order do not depend on which boot is being planned."""
        shuffle = random.Random(self._profile.seed)  # noqa: S311 - an order, not a secret
        benches = [load for load in loads if load.available and load.trials]
        order = []
        for boot in range(1, self._profile.boots + 1):
            shares = [(load, self._share(load.trials, boot)) for load in benches]
            for place in range(max((len(share) for _, share in shares), default=0)):
                block = [(boot, share[place], load) for load, share in shares if place < len(share)]
                shuffle.shuffle(block)
                order += block
        return order

    def _share(self, trials: int, boot: int) -> range:
        """A load's trials of one boot: as many as of every other, or one more in the first ones.

        Each load is shared out by itself, so that one with few trials has some in every boot too:
        without them its spread between boots would be unknown.
        """
        each, more = divmod(trials, self._profile.boots)
        first = (boot - 1) * each + min(boot - 1, more) + 1
        return range(first, first + each + (boot <= more))

    def _trial(self, number: int, load: Load, planned: PlannedLoad, round_: int) -> Step:
        pattern = load.pattern
        if isinstance(pattern, Pairs):
            legs = tuple(
                Leg({one: planned.number, other: planned.number}, paired=True)
                for one, other in combinations(self._lanes, 2)
            )
        else:
            legs = (Leg(dict.fromkeys(self._half(pattern), planned.number)),)
        return Step(number, planned.number, round_, legs, pattern.kind)

    def _soak(
        self, number: int, load: Load, planned: PlannedLoad, group: tuple[int, ...]
    ) -> list[Step]:
        seconds = planned.soak_seconds or 0.0
        pattern = load.pattern
        wake = pattern.suspend_seconds if isinstance(pattern, AfterSuspend) else None
        legs = self._legs(pattern, planned, group, seconds)
        gate = _gate(pattern)
        return [
            Step(number + index, planned.number, 0, (leg,), pattern.kind, gate, wake)
            for index, leg in enumerate(legs)
        ]

    def _legs(
        self, pattern: object, planned: PlannedLoad, group: tuple[int, ...], seconds: float
    ) -> list[Leg]:
        load = planned.number
        if isinstance(pattern, OneLaneMoving):
            return self._moving(pattern, load, seconds)
        if isinstance(pattern, Pairs):
            pairs = list(combinations(self._lanes, 2))
            return [
                Leg({one: load, other: load}, paired=True, seconds=seconds / len(pairs))
                for one, other in pairs
            ]
        if isinstance(pattern, HalfLanes) and pattern.which == "alternate":
            halves = [HalfLanes(which="first"), HalfLanes(which="second")]
            return [
                Leg(dict.fromkeys(self._half(half), load), seconds=seconds / 2) for half in halves
            ]
        if len(group) > len(self._lanes) > 1:
            return self._in_turn(group, seconds)
        lanes = self._half(pattern)
        work = {lane: group[index % len(group)] for index, lane in enumerate(lanes)}
        return [Leg(work, seconds=seconds)]

    def _in_turn(self, group: tuple[int, ...], seconds: float) -> list[Leg]:
        """More loads side by side than lanes: the first stays, the others take turns beside it."""
        (lane, *beside), (own, *others) = self._lanes, group
        turns = math.ceil(len(others) / len(beside))
        return [
            Leg(
                {
                    lane: own,
                    **{
                        other: others[(turn * len(beside) + place) % len(others)]
                        for place, other in enumerate(beside)
                    },
                },
                seconds=seconds / turns,
            )
            for turn in range(turns)
        ]

    def _moving(self, pattern: OneLaneMoving, load: int, seconds: float) -> list[Leg]:
        """Every lane's turn, again and again; at least once round, the last turn cut to fit."""
        order = list(self._lanes)
        if pattern.order == "seeded":
            random.Random(self._profile.seed).shuffle(order)  # noqa: S311 - an order
        dwell = min(pattern.dwell_seconds, seconds / len(order))
        turns = math.ceil(seconds / dwell - 1e-9)
        lengths = [dwell] * (turns - 1) + [seconds - dwell * (turns - 1)]
        return [
            Leg({order[turn % len(order)]: load}, seconds=length)
            for turn, length in enumerate(lengths)
        ]

    def _half(self, pattern: object) -> tuple[int, ...]:
        if not isinstance(pattern, HalfLanes) or len(self._lanes) < 2:
            return self._lanes
        middle = len(self._lanes) // 2
        return self._lanes[:middle] if pattern.which == "first" else self._lanes[middle:]


def _gate(pattern: object) -> Gate | None:
    if isinstance(pattern, LoadSteps):
        return SquareWave.of(pattern.frequency_hz, pattern.duty_percent)
    if isinstance(pattern, IdleBursts):
        idle, burst = round(pattern.mean_idle_seconds * _NS), round(pattern.burst_seconds * _NS)
        return Bursts(pattern.seed, idle, burst)
    return None
