"""From the lanes' numbers of one step to the trial or soak that the record keeps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from harness.clock import NS_PER_SECOND
from harness.lanes.messages import Done
from harness.plan import PlannedLoad, Step
from harness.results import LaneTrial, SoakData, TrialData


@dataclass(frozen=True)
class LegDone:
    """One finished leg: what the lanes said, and whether two of them worked as a pair."""

    dones: tuple[Done, ...]
    paired: bool


@dataclass(frozen=True)
class TimeAxis:
    """Turns monotonic nanoseconds of this boot into seconds on the run's axis."""

    origin_ns: int
    boot: int

    def seconds(self, at_ns: int) -> float:
        """Seconds from the start of the run."""
        return (at_ns - self.origin_ns) / NS_PER_SECOND

    def monotonic_ns(self, at_seconds: float) -> int:
        """The monotonic time of a moment on the run's axis."""
        return self.origin_ns + round(at_seconds * NS_PER_SECOND)


def assemble_trial(
    step: Step, load: PlannedLoad, legs: Sequence[LegDone], axis: TimeAxis, valid: bool
) -> TrialData:
    """One trial. Its rate is the sum over lanes; over several legs (pairs) the legs' mean."""
    dones = [done for leg in legs for done in leg.dones]
    rates = [_leg_rates(leg) for leg in legs]
    count = max(len(rates), 1)
    return TrialData(
        number=step.number,
        round=step.round,
        load=load.number,
        workload=load.workload,
        boot=axis.boot,
        started_seconds=axis.seconds(min(done.started_ns for done in dones)),
        ended_seconds=axis.seconds(max(done.ended_ns for done in dones)),
        lanes=tuple(lane for leg in legs for lane in _lanes(leg)),
        rate=sum(mean for mean, _ in rates) / count,
        capability_rate=sum(best for _, best in rates) / count,
        valid=valid,
    )


def _lanes(leg: LegDone) -> list[LaneTrial]:
    """A pair is told by its measuring end, with the other end's lane among the readings."""
    if not leg.paired or len(leg.dones) < 2:
        return [done.result for done in leg.dones]
    measuring, other = sorted(leg.dones, key=lambda done: done.lane)[:2]
    readings = {**measuring.result.readings, "peer_lane": float(other.lane)}
    return [replace(measuring.result, readings=readings)]


def _leg_rates(leg: LegDone) -> tuple[float, float]:
    """Joint mean rate and joint capability rate of one leg, in units of work per second."""
    mean = best = 0.0
    for lane in _lanes(leg):
        if lane.seconds > 0 and lane.passes:
            mean += lane.work / lane.seconds
            per_pass = lane.work / lane.passes
            best += per_pass / lane.pass_p10_seconds if lane.pass_p10_seconds else 0.0
    return mean, best


def assemble_soaks(
    step: Step,
    loads: Mapping[int, PlannedLoad],
    leg: LegDone,
    axis: TimeAxis,
    complete: bool,
) -> tuple[SoakData, ...]:
    """One soak a load: a mixed pattern gives one for each load that ran side by side."""
    numbers = sorted({done.load for done in leg.dones}, key=lambda load: (load != step.load, load))
    return tuple(
        replace(_soak(step, loads[number], leg, axis, complete), number=soak_number(step, index))
        for index, number in enumerate(numbers)
    )


def _soak(step: Step, load: PlannedLoad, leg: LegDone, axis: TimeAxis, complete: bool) -> SoakData:
    dones = tuple(done for done in leg.dones if done.load == load.number)
    return SoakData(
        number=soak_number(step, 0),
        load=load.number,
        workload=load.workload,
        pattern=step.pattern,
        boot=axis.boot,
        started_seconds=axis.seconds(min(done.started_ns for done in dones)),
        ended_seconds=axis.seconds(max(done.ended_ns for done in dones)),
        lanes=tuple(_lanes(LegDone(dones, leg.paired))),
        step_skew_seconds=step_skew([done.step_starts for done in dones]),
        complete=complete,
        rate_points=_rate_points(dones, axis),
    )


def soak_number(step: Step, index: int) -> int:
    """A soak's number in the record: unique over steps and the loads of a mixed pattern."""
    return step.number * 100 + index


def step_skew(starts: Sequence[Sequence[tuple[int, int]]]) -> tuple[float, float] | None:
    """(median, largest) seconds between the first and the last lane's start of a load step.

    `starts` has one sequence a lane of (window number, monotonic ns). A step counts when every
    lane worked in its window.
    """
    if len(starts) < 2:
        return None
    lanes = [dict(lane) for lane in starts]
    common = set(lanes[0]).intersection(*lanes[1:])
    spreads = [max(times) - min(times) for times in ([lane[n] for lane in lanes] for n in common)]
    if not spreads:
        return None
    return median(spreads) / NS_PER_SECOND, max(spreads) / NS_PER_SECOND


def _rate_points(dones: Sequence[Done], axis: TimeAxis) -> tuple[tuple[float, float], ...]:
    """Joint rate over time: the lanes' progress points have the same spacing, so they pair up."""
    lanes = [_lane_rates(done) for done in dones]
    if not lanes or not min(len(rates) for rates in lanes):
        return ()
    return tuple(
        (axis.seconds(points[0][0]), sum(rate for _, rate in points))
        for points in zip(*lanes, strict=False)
    )


def _lane_rates(done: Done) -> list[tuple[int, float]]:
    if not done.result.passes:
        return []
    work_per_pass = done.result.work / done.result.passes
    before_ns, before_passes = done.started_ns, 0
    rates = []
    for at_ns, passes in done.progress:
        if at_ns > before_ns:
            rate = (passes - before_passes) * work_per_pass * NS_PER_SECOND / (at_ns - before_ns)
            rates.append((at_ns, rate))
        before_ns, before_passes = at_ns, passes
    return rates
