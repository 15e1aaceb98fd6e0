"""Which trial was disturbed by what, from everything the record holds about its time.

A trial may be left out of the statistics only when it is slower than its load's others *and* was
disturbed more than they were: :meth:`Causes.excuse`. What every trial suffered disturbs the
measurement, which :meth:`Causes.of` tells, but excuses none of them. The conditions and their
thresholds are those of :mod:`harness.statistics.causes`; two more are judged here because only the
record knows them: involuntary context switches, and a suspended machine.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from statistics import fmean, median

from harness.criteria.temperature import CPU_TEMPERATURE
from harness.judgement.moments import times_of
from harness.results import Envelope, EventKind, LaneTrial, RunData, TrialData
from harness.statistics.causes import (
    CauseThresholds,
    TrialConditions,
    UsualConditions,
    find_cause,
    usual_end,
)


@dataclass(frozen=True)
class RecordThresholds:
    """From which size on a condition of the record counts as a cause.

    `switches_per_second`: involuntary context switches of one lane; the timer of an idle machine
    causes a few a second (common practice, no source).
    """

    conditions: CauseThresholds = field(default_factory=CauseThresholds)
    switches_per_second: float = 100.0


class Causes:
    """Looks for causes in one run; make it once and ask it for every trial."""

    def __init__(self, data: RunData, thresholds: RecordThresholds | None = None) -> None:
        self._thresholds = thresholds or RecordThresholds()
        kinds = (EventKind.THROTTLED, EventKind.SUSPENDED)
        self._times = {kind: times_of(data.events, kind) for kind in kinds}
        self._temperatures = [
            envelope
            for item in data.channels
            if item.channel.role == CPU_TEMPERATURE
            for envelope in item.envelopes
        ]
        self._clocks = _usual(data.trials, _mean_clock, median)
        self._clock_ends = _usual(data.trials, _mean_clock, partial(usual_end, lowest=True))
        self._peaks = _usual(data.trials, self._peak, median)
        self._peak_ends = _usual(data.trials, self._peak, usual_end)
        self._delays = _usual(data.trials, _delay, usual_end)
        self._throttles = _usual(data.trials, self._throttle_events, usual_end)
        self._faults = _usual(data.trials, _major_faults, usual_end)
        self._switching = _usual(data.trials, _switching, usual_end)

    def of(self, trial: TrialData) -> tuple[str, ...]:
        """Everything that disturbed `trial`, what the record already names first."""
        return self._found(trial, UsualConditions(), usual_switches=0.0)

    def excuse(self, trial: TrialData) -> tuple[str, ...]:
        """What disturbed `trial` by more than is usual for its load: it may explain a slow one."""
        load = trial.load
        lowest = _percent_of(self._clock_ends.get(load), self._clocks.get(load))
        usual = UsualConditions(
            run_delay_share=self._delays.get(load, 0.0),
            throttle_events=self._throttles.get(load, 0.0),
            major_faults=self._faults.get(load, 0.0),
            clock_drop_percent=0.0 if lowest is None else 100.0 - lowest,
            temperature_rise_celsius=_above(self._peak_ends.get(load), self._peaks.get(load))
            or 0.0,
        )
        return self._found(trial, usual, usual_switches=self._switching.get(load, 0.0))

    def _found(
        self, trial: TrialData, usual: UsualConditions, *, usual_switches: float
    ) -> tuple[str, ...]:
        found = [
            *trial.causes,
            *self._condition(trial, usual),
            *self._switches(trial, usual_switches),
        ]
        if self._count(trial, EventKind.SUSPENDED):
            found.append("the machine was suspended")
        return tuple(dict.fromkeys(found))

    def _condition(self, trial: TrialData, usual: UsualConditions) -> Iterator[str]:
        worst, limits = _worst(trial, _delay_share), self._thresholds.conditions
        conditions = TrialConditions(
            run_delay_share=worst.size,
            throttle_events=self._throttle_events(trial),
            clock_percent=_percent_of(_mean_clock(trial), self._clocks.get(trial.load)),
            temperature_rise_celsius=_above(self._peak(trial), self._peaks.get(trial.load)),
            major_faults=_major_faults(trial),
        )
        cause = find_cause(conditions, limits, usual)
        if cause is not None:
            delayed = worst.size - usual.run_delay_share >= limits.run_delay_share
            yield f"{cause} on {worst.place}" if delayed else cause

    def _switches(self, trial: TrialData, usual: float) -> Iterator[str]:
        worst = _worst(trial, _switches_per_second)
        if worst.size - usual >= self._thresholds.switches_per_second:
            yield f"{worst.size:.0f} involuntary switches a second on {worst.place}"

    def _throttle_events(self, trial: TrialData) -> int:
        return self._count(trial, EventKind.THROTTLED)

    def _count(self, trial: TrialData, kind: EventKind) -> int:
        times = self._times[kind]
        return sum(trial.started_seconds <= time <= trial.ended_seconds for time in times)

    def _peak(self, trial: TrialData) -> float | None:
        peaks = [item.maximum for item in self._temperatures if _inside(item, trial)]
        return max(peaks, default=None)


def _usual(
    trials: tuple[TrialData, ...],
    value_of: Callable[[TrialData], float | None],
    usual_of: Callable[[list[float]], float],
) -> dict[int, float]:
    """What is usual over the trials of each load, where at least two gave a value."""
    values: dict[int, list[float]] = defaultdict(list)
    for trial in trials:
        value = value_of(trial)
        if value is not None:
            values[trial.load].append(value)
    return {load: usual_of(own) for load, own in values.items() if len(own) > 1}


def _delay(trial: TrialData) -> float:
    return _worst(trial, _delay_share).size


def _switching(trial: TrialData) -> float:
    return _worst(trial, _switches_per_second).size


def _major_faults(trial: TrialData) -> int:
    return sum(lane.major_faults or 0 for lane in trial.lanes)


def _mean_clock(trial: TrialData) -> float | None:
    clocks = [lane.clock_hz for lane in trial.lanes if lane.clock_hz]
    return fmean(clocks) if clocks else None


def _percent_of(value: float | None, usual: float | None) -> float | None:
    return None if value is None or usual is None else 100.0 * value / usual


def _above(value: float | None, usual: float | None) -> float | None:
    return None if value is None or usual is None else value - usual


def _delay_share(lane: LaneTrial) -> float:
    known = lane.run_delay_seconds is not None and lane.seconds > 0
    return (lane.run_delay_seconds or 0.0) / lane.seconds if known else 0.0


def _switches_per_second(lane: LaneTrial) -> float:
    known = lane.involuntary_switches is not None and lane.seconds > 0
    return (lane.involuntary_switches or 0) / lane.seconds if known else 0.0


@dataclass(frozen=True)
class _Hit:
    """How hard the lane that suffered most was hit, and where it runs."""

    size: float
    place: str


def _worst(trial: TrialData, size_of: Callable[[LaneTrial], float]) -> _Hit:
    hits = [_Hit(size_of(lane), _place(lane)) for lane in trial.lanes]
    return max(hits, key=lambda hit: hit.size, default=_Hit(0.0, ""))


def _place(lane: LaneTrial) -> str:
    return f"lane {lane.lane}" if lane.cpu is None else f"CPU {lane.cpu}"


def _inside(envelope: Envelope, trial: TrialData) -> bool:
    """An envelope that is longer than the trial cannot say what happened in it."""
    middle = envelope.at_seconds + envelope.duration_seconds / 2
    short = envelope.duration_seconds <= trial.ended_seconds - trial.started_seconds
    return short and trial.started_seconds <= middle <= trial.ended_seconds
