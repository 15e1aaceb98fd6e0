"""What an unfinished soak can already say: verified passes by lane."""

from __future__ import annotations

from collections.abc import Mapping

from harness.assembly import soak_number
from harness.clock import NS_PER_SECOND
from harness.phases.state import RunState
from harness.plan import Leg, Step
from harness.results import LaneTrial, SoakData


def partial_soak(
    state: RunState,
    step: Step,
    leg: Leg,
    verified: Mapping[int, int],
    times_ns: tuple[int, int],
) -> tuple[SoakData, ...]:
    """One incomplete soak a load; `times_ns` is the leg's start and now (monotonic)."""
    loads = sorted(set(leg.work.values()), key=lambda load: (load != step.load, load))
    seconds = max(times_ns[1] - times_ns[0], 1) / NS_PER_SECOND
    return tuple(
        SoakData(
            number=soak_number(step, index),
            load=load,
            workload=state.plan.load(load).workload,
            pattern=step.pattern,
            boot=state.axis.boot,
            started_seconds=state.axis.seconds(times_ns[0]),
            ended_seconds=state.axis.seconds(times_ns[1]),
            lanes=tuple(
                _lane(state, lane, load, verified[lane], seconds, paused=step.gate is not None)
                for lane, item in leg.work.items()
                if item == load
            ),
            complete=False,
        )
        for index, load in enumerate(loads)
    )


def _lane(
    state: RunState, lane: int, load: int, verified: int, seconds: float, *, paused: bool
) -> LaneTrial:
    mean_seconds = seconds / max(verified, 1)
    if paused:
        # The pauses of a pattern are no load: a pass took what it took when it was calibrated.
        mean_seconds = min(mean_seconds, state.pass_seconds.get(load, 0.0))
    return LaneTrial(
        lane=lane,
        cpu=state.plan.cpus[lane],
        passes=verified,
        work=verified * state.work_per_pass.get(load, 0.0),
        seconds=seconds,
        pass_mean_seconds=mean_seconds,
        pass_p10_seconds=None,
        verified=verified,
        run_delay_seconds=None,
        involuntary_switches=None,
        major_faults=None,
        clock_hz=None,
    )
