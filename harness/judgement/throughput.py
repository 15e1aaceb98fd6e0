"""From a trial to the one value that is its score, on the basis that its workload states."""

from __future__ import annotations

import math
from statistics import fmean

from harness.results import LaneTrial, LoadInfo, TrialData

CAPABILITY = "capability"


def value_unit(load: LoadInfo) -> str:
    """Unit of a load's values: work per second, or seconds per piece of work for a latency."""
    return f"s/{load.unit}" if load.lower_is_better else f"{load.unit}/s"


def trial_value(trial: TrialData, load: LoadInfo) -> float | None:
    """The trial's score in :func:`value_unit`; None when it failed a check or was cut short.

    Throughput is that of all lanes together; a latency is the mean of the lanes'.
    """
    value = measured_value(trial, load)
    return value if trial.valid else None


def measured_value(trial: TrialData, load: LoadInfo) -> float | None:
    """What was measured, valid or not; None where the lanes did no work."""
    if load.lower_is_better:
        latencies = [it for lane in trial.lanes if (it := _latency(lane, load.basis)) is not None]
        return fmean(latencies) if latencies else None
    rate = trial.capability_rate if load.basis == CAPABILITY else trial.rate
    return rate if math.isfinite(rate) and rate > 0 else None


def lane_value(lane: LaneTrial, load: LoadInfo, *, paused: bool = False) -> float | None:
    """One lane's own value in :func:`value_unit`; None where nothing was done.

    `paused`: the lane waited between passes, as in load steps: only the passes' time counts.
    """
    seconds = lane.pass_mean_seconds * lane.passes if paused else lane.seconds
    if lane.work <= 0 or lane.passes <= 0 or seconds <= 0:
        return None
    return seconds / lane.work if load.lower_is_better else lane.work / seconds


def _latency(lane: LaneTrial, basis: str) -> float | None:
    """Seconds per piece of work; None where nothing was done."""
    if lane.work <= 0 or lane.passes <= 0:
        return None
    seconds = lane.seconds
    if basis == CAPABILITY and lane.pass_p10_seconds is not None:
        seconds = lane.pass_p10_seconds * lane.passes
    return seconds / lane.work if seconds > 0 else None
