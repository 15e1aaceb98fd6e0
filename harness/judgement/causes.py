"""Which trial was disturbed by what: named causes, each with its threshold.

A trial may be left out of the statistics only when it stands out *and* has a cause here; the
coefficient of variation alone never tells of a competitor on the core. A threshold of 1 % of the
trial's time is the size of the default margin: what costs less cannot turn a decision.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from statistics import median

from harness.criteria.temperature import CPU_TEMPERATURE
from harness.results import Envelope, Event, EventKind, LaneTrial, RunData, TrialData
from harness.units import percent, temperature


@dataclass(frozen=True)
class CauseThresholds:
    """From which size on something counts as a cause, for the lane it hit hardest.

    `run_delay_percent`: time runnable but not running, as a share of the trial (Linux kernel,
    Documentation/scheduler/sched-stats.rst).
    `major_fault_seconds`: what one major page fault is taken to cost (a read from storage; common
    practice, no source); they count when their sum reaches `major_fault_percent` of the trial.
    `switches_per_second`: involuntary context switches; an idle machine's tick causes a few.
    `clock_drop_percent`: below the core's own median clock over the run; the measured clock
    scatters by 1 %.
    """

    run_delay_percent: float = 1.0
    major_fault_seconds: float = 0.001
    major_fault_percent: float = 1.0
    switches_per_second: float = 100.0
    clock_drop_percent: float = 3.0


#: Events that explain a trial they fall into, in words.
_EVENTS = {
    EventKind.THROTTLED: "throttling",
    EventKind.SUSPENDED: "the machine was suspended",
}


class Causes:
    """Looks for causes in one run; make it once and ask it for every trial."""

    def __init__(
        self,
        data: RunData,
        warn_above_celsius: float | None = None,
        thresholds: CauseThresholds | None = None,
    ) -> None:
        self._thresholds = thresholds or CauseThresholds()
        self._warn_above = warn_above_celsius
        self._clocks = _median_clocks(data.trials)
        self._events = [event for event in data.events if event.kind in _EVENTS]
        self._temperatures = [
            envelope
            for item in data.channels
            if item.channel.role == CPU_TEMPERATURE
            for envelope in item.envelopes
        ]

    def of(self, trial: TrialData) -> tuple[str, ...]:
        """Every cause of `trial`, those that the record already names first."""
        found = (
            *trial.causes,
            *self._run_delay(trial),
            *self._faults(trial),
            *self._switches(trial),
            *self._clock(trial),
            *self._told(trial),
            *self._heat(trial),
        )
        return tuple(dict.fromkeys(found))

    def _run_delay(self, trial: TrialData) -> Iterator[str]:
        worst = _worst(trial, lambda lane: _share(lane.run_delay_seconds, lane))
        if worst.size >= self._thresholds.run_delay_percent:
            yield f"run delay {percent(worst.size)} on {worst.place}"

    def _faults(self, trial: TrialData) -> Iterator[str]:
        cost = self._thresholds.major_fault_seconds
        worst = _worst(trial, lambda lane: _share((lane.major_faults or 0) * cost, lane))
        if worst.size >= self._thresholds.major_fault_percent:
            yield f"major page faults, about {percent(worst.size)} on {worst.place}"

    def _switches(self, trial: TrialData) -> Iterator[str]:
        worst = _worst(trial, _switches_per_second)
        if worst.size >= self._thresholds.switches_per_second:
            yield f"{worst.size:.0f} involuntary switches a second on {worst.place}"

    def _clock(self, trial: TrialData) -> Iterator[str]:
        worst = _worst(trial, self._clock_drop)
        if worst.size >= self._thresholds.clock_drop_percent:
            yield f"clock {percent(worst.size)} below its median on {worst.place}"

    def _clock_drop(self, lane: LaneTrial) -> float:
        usual = self._clocks.get(lane.lane)
        if usual is None or lane.clock_hz is None:
            return 0.0
        return 100 * (1 - lane.clock_hz / usual)

    def _told(self, trial: TrialData) -> Iterator[str]:
        for event in self._events:
            if _during(event, trial):
                yield _EVENTS[event.kind]

    def _heat(self, trial: TrialData) -> Iterator[str]:
        if self._warn_above is None:
            return
        peaks = [item.maximum for item in self._temperatures if _inside(item, trial)]
        if peaks and max(peaks) > self._warn_above:
            yield f"temperature {temperature(max(peaks))}, above the warning"


def _median_clocks(trials: tuple[TrialData, ...]) -> Mapping[int, float]:
    clocks: dict[int, list[float]] = defaultdict(list)
    for trial in trials:
        for lane in trial.lanes:
            if lane.clock_hz:
                clocks[lane.lane].append(lane.clock_hz)
    return {lane: median(values) for lane, values in clocks.items() if len(values) > 1}


def _share(seconds: float | None, lane: LaneTrial) -> float:
    """`seconds` as a percentage of the lane's time; 0 where nothing is known of it."""
    return 100 * seconds / lane.seconds if seconds and lane.seconds > 0 else 0.0


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
    return f"lane {lane.lane}" if lane.cpu is None else f"core {lane.cpu}"


def _during(event: Event, trial: TrialData) -> bool:
    return trial.started_seconds <= event.at_seconds <= trial.ended_seconds


def _inside(envelope: Envelope, trial: TrialData) -> bool:
    """An envelope that is longer than the trial cannot say what happened in it."""
    middle = envelope.at_seconds + envelope.duration_seconds / 2
    short = envelope.duration_seconds <= trial.ended_seconds - trial.started_seconds
    return short and trial.started_seconds <= middle <= trial.ended_seconds
