"""Second phase: each load is built, warmed up, its golden settled, its trial's work fixed."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.agreement import pass_seconds, settle_golden, settle_passes
from harness.happenings import Happening, Instruction, LaneDied, Send, StoodStill, Store, Tick
from harness.lanes.messages import Drop, LaneTrouble, Pairing, Prepare, Prepared, Probe, Probed
from harness.phases.state import (
    PROBE_ENOUGH_SECONDS,
    RunState,
    Waiting,
    load_info,
    prepare_seconds,
)
from harness.plan import INPUT_SEED, PROBE_PASSES, PROBE_SECONDS, PlannedLoad
from harness.results import FailureKind
from workloads.contract import PASS_SECONDS_AT_LEAST


def prepare_order(load: PlannedLoad, pairing: Pairing | None = None) -> Prepare:
    """The order that builds a load's task."""
    return Prepare(load.number, load.workload, load.parameters, INPUT_SEED, pairing)


class Calibration:
    """Goes through all loads; two answers of every lane each: `Prepared`, then `Probed`."""

    def __init__(self, state: RunState) -> None:
        self._state = state
        self._queue = list(state.plan.loads)
        self._load: PlannedLoad | None = None
        self._waiting = Waiting()
        self._probes: list[Probed] = []
        self._probing = False

    @property
    def busy(self) -> bool:
        """See `Phase`."""
        return bool(self._waiting.lanes)

    @property
    def only_waiting(self) -> bool:
        """See `Phase`."""
        return False

    @property
    def finished(self) -> bool:
        """See `Phase`."""
        return not self._queue and self._load is None

    def advance(self, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        if self._load is None:
            return self._next_load(now_ns)
        if not self._probing:
            return self._probe(self._load, now_ns)
        return self._settle(self._load, now_ns)

    def wind_up(self, now_ns: int) -> list[Instruction]:
        """See `Phase`: nothing has been measured yet."""
        return []

    def hear(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        if isinstance(happening, Prepared):
            self._state.note_prepared(happening)
            self._waiting.lanes.discard(happening.lane)
        elif isinstance(happening, Probed):
            self._probes.append(happening)
            self._waiting.lanes.discard(happening.lane)
        elif isinstance(happening, LaneTrouble):
            self._waiting.lanes.discard(happening.lane)
            if happening.load is not None:
                self._state.unusable.setdefault(happening.load, happening.summary)
        elif isinstance(happening, LaneDied):
            self._waiting.lanes.discard(happening.lane)
        elif isinstance(happening, StoodStill):
            self._waiting.extend(happening.seconds)
        elif isinstance(happening, Tick):
            return self._check_time(happening, now_ns)
        return []

    def _check_time(self, tick: Tick, now_ns: int) -> list[Instruction]:
        late = self._waiting.late(now_ns)
        if self._probing:
            late -= self._still_beating(late, tick)
        self._waiting.lanes -= late
        number = None if self._load is None else self._load.number
        return self._state.hung(sorted(late), now_ns, "warming up a load", number)

    def _still_beating(self, lanes: set[int], tick: Tick) -> set[int]:
        """Those of `lanes` that have ended a pass so lately that the next may still be going on."""
        longest = self._longest_pass()
        return {lane for lane in lanes if tick.silent_seconds.get(lane, math.inf) <= longest}

    def _longest_pass(self) -> float:
        assert self._load is not None  # noqa: S101 - asked while a load is probed only
        return self._state.longest_passes.get(self._load.number, PASS_SECONDS_AT_LEAST)

    def _next_load(self, now_ns: int) -> list[Instruction]:
        load = self._queue.pop(0)
        if not (load.available and self._has_work(load)):
            known = load.number in self._state.plan.described
            return [] if known else [Store(load_info(load, self._state))]
        self._load, self._probes, self._probing = load, [], False
        lanes = self._lanes(load)
        self._waiting.begin(lanes, now_ns, prepare_seconds(load))
        return [Send(lane, prepare_order(load, pairing(load, lanes, lane))) for lane in lanes]

    def _has_work(self, load: PlannedLoad) -> bool:
        """Whether this boot runs the load: soaks belong to the last, a resumed run has less."""
        return bool(self._wanted(load))

    def _wanted(self, load: PlannedLoad) -> set[int]:
        legs = [leg for step in self._state.plan.steps for leg in step.legs]
        return {lane for leg in legs for lane, item in leg.work.items() if item == load.number}

    def _lanes(self, load: PlannedLoad) -> tuple[int, ...]:
        """All living lanes that will run this load; the first pair of a paired one."""
        lanes = self._state.alive(sorted(self._wanted(load)))
        return lanes[:2] if load.paired else lanes

    def _probe(self, load: PlannedLoad, now_ns: int) -> list[Instruction]:
        self._probing = True
        lanes = self._lanes(load)
        if not self._state.usable(load.number) or not lanes:
            return []
        order = Probe(load.number, PROBE_SECONDS, PROBE_PASSES, load.paired, PROBE_ENOUGH_SECONDS)
        self._waiting.begin(lanes, now_ns, self._longest_pass())
        return [Send(lane, order) for lane in lanes]

    def _settle(self, load: PlannedLoad, now_ns: int) -> list[Instruction]:
        state = self._state
        self._load = None
        out: list[Instruction] = []
        origin = ""
        if state.usable(load.number) and self._probes:
            origin = self._settle_golden(load, now_ns, out)
            self._settle_passes(load)
        else:
            state.unusable.setdefault(load.number, "no lane could warm it up")
        out.append(Store(load_info(load, state, origin)))
        if load.paired or not state.plan.keep_prepared:
            out += drop_everywhere(state, load.number)
        return out

    def _settle_golden(self, load: PlannedLoad, now_ns: int, out: list[Instruction]) -> str:
        state = self._state
        path, remembered = state.plan.known_goldens.get(load.name, ("", 0))
        same_path = path and path == state.code_paths.get(load.number)
        agreement = settle_golden(
            self._probes, load.shipped_golden, remembered if same_path else None
        )
        state.goldens[load.number] = agreement.golden
        kind = FailureKind.WRONG_RESULT
        if agreement.golden is None:
            kind = FailureKind.NO_AGREEMENT
            state.unusable[load.number] = "the lanes do not agree on the right result"
        out += [
            state.failure(kind, now_ns, dissent.detail, dissent.lane, load.number)
            for dissent in agreement.dissents
        ]
        return agreement.origin

    def _settle_passes(self, load: PlannedLoad) -> None:
        state = self._state
        state.pass_seconds[load.number] = max(
            pass_seconds(probe.pass_seconds) for probe in self._probes
        )
        frozen = state.plan.frozen_passes.get(load.name)
        if frozen and all(lane in frozen for lane in self._lanes(load)):
            state.passes[load.number] = frozen
        elif load.trials:
            legs = next(step for step in state.plan.steps if step.load == load.number).legs
            passes = settle_passes(self._probes, load.trial_seconds / len(legs))
            state.passes[load.number] = self._for_all_pairs(passes) if load.paired else passes

    def _for_all_pairs(self, passes: Mapping[int, int]) -> Mapping[int, int]:
        """Both ends of a pair must do the same number of passes, and so do all pairs."""
        return dict.fromkeys(range(self._state.plan.lanes), min(passes.values()))


def pairing(load: PlannedLoad, lanes: tuple[int, ...], lane: int) -> Pairing | None:
    """How `lane` meets the other of two `lanes`; None for a load that is not paired."""
    if not load.paired:
        return None
    return Pairing(area=0, end=lanes.index(lane), peers=(lanes[0], lanes[-1]))


def drop_everywhere(state: RunState, load: int) -> list[Instruction]:
    """Free a load's task in every lane that has built it."""
    out: list[Instruction] = []
    for lane, loads in state.prepared.items():
        if load in loads:
            loads.discard(load)
            out.append(Send(lane, Drop(load)))
    return out
