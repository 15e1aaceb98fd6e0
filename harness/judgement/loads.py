"""What each load of a run shows: its trials as statistics, its soaks as time and passes."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import fmean, median

from harness.criteria.attribution import failures_of
from harness.criteria.evidence import LoadEvidence
from harness.criteria.exposure import PEER_LANE
from harness.judgement.causes import Causes
from harness.judgement.findings import findings_of
from harness.judgement.throughput import lane_value, measured_value, trial_value, value_unit
from harness.results import (
    Failure,
    Flag,
    LaneSummary,
    LaneTrial,
    LoadInfo,
    RunData,
    SoakData,
    TrialData,
    TrialPoint,
    WorkloadResult,
)
from harness.statistics.outliers import RejectionPolicy
from harness.statistics.within_run import TrialStatistics, WorkloadTrials, summarise_run

_DIGITS = re.compile(r"(\d+)")


def judge_loads(
    data: RunData, causes: Causes, confidence: float, policy: RejectionPolicy
) -> tuple[LoadEvidence, ...]:
    """Every load of the run, in the profile's order."""
    trials = {load.number: _trials_of(load, data) for load in data.loads}
    why = {trial.number: causes.of(trial) for trial in data.trials}
    statistics = summarise_run(
        {
            str(load.number): _entered(load, trials[load.number], causes)
            for load in data.loads
            if trials[load.number]
        },
        confidence,
        policy,
    )
    return tuple(
        _evidence(load, trials[load.number], data, why, statistics.get(str(load.number)))
        for load in data.loads
    )


def _trials_of(load: LoadInfo, data: RunData) -> tuple[TrialData, ...]:
    own = (trial for trial in data.trials if trial.load == load.number)
    return tuple(sorted(own, key=lambda trial: (trial.boot, trial.started_seconds)))


def _entered(load: LoadInfo, trials: tuple[TrialData, ...], causes: Causes) -> WorkloadTrials:
    return WorkloadTrials(
        values=[trial_value(trial, load) for trial in trials],
        causes=["; ".join(causes.excuse(trial)) or None for trial in trials],
        boots=[str(trial.boot) for trial in trials],
        lower_is_better=load.lower_is_better,
    )


def _evidence(
    load: LoadInfo,
    trials: tuple[TrialData, ...],
    data: RunData,
    why: Mapping[int, tuple[str, ...]],
    statistics: TrialStatistics | None,
) -> LoadEvidence:
    soaks = tuple(soak for soak in data.soaks if soak.load == load.number)
    lanes = [lane for trial in trials for lane in trial.lanes]
    lanes += [lane for soak in soaks for lane in soak.lanes]
    result = replace(
        _nothing_timed(load, _why_untimed(load, soaks)),
        boots=len({soak.boot for soak in soaks}),
        lanes=_lane_summaries(load, trials, soaks, failures_of(load, data)),
        verified=sum(lane.verified for lane in lanes),
        soak_seconds=sum(soak.ended_seconds - soak.started_seconds for soak in soaks),
        readings=_readings(lanes),
    )
    if statistics is not None:
        result = _with_statistics(result, load, trials, why, statistics)
    return LoadEvidence(load, trials, soaks, result, statistics)


def _nothing_timed(load: LoadInfo, reason: str) -> WorkloadResult:
    return WorkloadResult(
        name=load.name,
        workload=load.workload,
        family=load.family,
        unit=value_unit(load),
        lower_is_better=load.lower_is_better,
        trials=0,
        boots=0,
        flagged=(),
        rejected=0,
        mean=None,
        low=None,
        high=None,
        confidence=None,
        cv_percent=None,
        mean_all=None,
        low_all=None,
        high_all=None,
        reason=reason,
        check=load.check,
        golden_origin=load.golden_origin,
        basis=load.basis,
    )


def _why_untimed(load: LoadInfo, soaks: Sequence[SoakData]) -> str:
    if not load.available:
        return f"not available here: {load.reason}"
    if load.trials == 0:
        return "a soak: sustained load without timed trials" if soaks else "it did not run"
    return "no trial took place"


def _with_statistics(
    result: WorkloadResult,
    load: LoadInfo,
    trials: Sequence[TrialData],
    why: Mapping[int, tuple[str, ...]],
    statistics: TrialStatistics,
) -> WorkloadResult:
    return replace(
        result,
        trials=statistics.trials,
        boots=len({trial.boot for trial in trials}),
        flagged=tuple(
            Flag(trials[flag.index].number, flag.cause or "") for flag in statistics.flagged
        ),
        rejected=len(statistics.rejected),
        mean=statistics.mean,
        low=statistics.low,
        high=statistics.high,
        confidence=statistics.confidence,
        cv_percent=statistics.cv_percent,
        mean_all=statistics.mean_all,
        low_all=statistics.low_all,
        high_all=statistics.high_all,
        points=_points(load, trials, why, statistics),
        findings=findings_of(statistics, result.unit),
        reason=statistics.reason or "",
        method=statistics.method,
    )


def _points(
    load: LoadInfo,
    trials: Sequence[TrialData],
    why: Mapping[int, tuple[str, ...]],
    statistics: TrialStatistics,
) -> tuple[TrialPoint, ...]:
    """Every trial that did any work, with its place in the statistics."""
    return tuple(
        TrialPoint(
            trial=trial.number,
            round=trial.round,
            boot=trial.boot,
            at_seconds=trial.started_seconds,
            value=value,
            state=_state(index, statistics),
            causes=why[trial.number],
        )
        for index, trial in enumerate(trials)
        if (value := measured_value(trial, load)) is not None
    )


def _state(index: int, statistics: TrialStatistics) -> str:
    if index in statistics.failed:
        return "invalid"
    if index in statistics.warm_up_trials:
        return "warm-up"
    if index in statistics.rejected:
        return "rejected"
    flagged = any(flag.index == index for flag in statistics.flagged)
    return "flagged" if flagged else "kept"


def _lane_summaries(
    load: LoadInfo,
    trials: Sequence[TrialData],
    soaks: Sequence[SoakData],
    failures: Sequence[Failure],
) -> tuple[LaneSummary, ...]:
    """Each lane's mean over the trials, or over the soaks of a load without trials."""
    timed = _by_lane(trials)
    soaked = _by_lane(soaks)
    values = {
        number: _mean_value(timed.get(number) or soaked[number], load, paused=not timed)
        for number in {*timed, *soaked}
    }
    parts = {number: [*timed[number], *soaked[number]] for number in sorted(values)}
    return tuple(
        LaneSummary(
            lane=number,
            cpu=own[-1].cpu,
            rate_mean=values[number],
            verified=sum(part.verified for part in own),
            failures=sum(item.lane == number for item in failures),
        )
        for number, own in parts.items()
    )


def _by_lane(stretches: Sequence[TrialData | SoakData]) -> dict[int, list[LaneTrial]]:
    found: dict[int, list[LaneTrial]] = defaultdict(list)
    for stretch in stretches:
        for lane in stretch.lanes:
            found[lane.lane].append(lane)
    return found


def _mean_value(parts: Sequence[LaneTrial], load: LoadInfo, *, paused: bool) -> float | None:
    values = [lane_value(part, load, paused=paused) for part in parts]
    known = [value for value in values if value is not None]
    return fmean(known) if known else None


def _readings(lanes: Sequence[LaneTrial]) -> dict[str, float]:
    """Median of every extra reading; of pairs of lanes, one for each pair."""
    found: dict[str, list[float]] = defaultdict(list)
    for lane in lanes:
        peer = lane.readings.get(PEER_LANE)
        pair = "" if peer is None else f" between lanes {lane.lane} and {peer:.0f}"
        for name, value in lane.readings.items():
            if name != PEER_LANE:
                found[name + pair].append(value)
    return {name: median(found[name]) for name in sorted(found, key=_counted)}


def _counted(name: str) -> list[tuple[int, str]]:
    """A key that sorts the numbers in a name by size: 1 024 before 131 072."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in _DIGITS.split(name)]
