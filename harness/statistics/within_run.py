"""One entry for the trials of one workload in one run: from values to an interval with reasons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from harness.statistics.choice import choose_interval
from harness.statistics.dependence import DependencePrior, PooledDependence, pool_dependence
from harness.statistics.intervals import Interval, median_interval, no_interval, student_interval
from harness.statistics.levels import boots_interval
from harness.statistics.outliers import FlaggedTrial, RejectionPolicy, TrialJudgement, judge_trials
from harness.statistics.steadiness import (
    Steadiness,
    SteadinessRule,
    detect_warm_up,
    judge_steadiness,
)
from harness.statistics.summary import cv_percent_of, mean_of, sd_of
from harness.statistics.tolerance import prediction_interval

#: Above this correlation between neighbouring trials no interval is given.
DEPENDENCE_LIMIT = 0.6
#: Why an interval that would hold impossible values is not given.
BELOW_NOUGHT = "the trials scatter so widely that their interval would reach below nought"


@dataclass(frozen=True)
class WorkloadTrials:
    """The trials of one workload in the order measured.

    `values`: throughput (or latency, with `lower_is_better`), None where the trial failed its
    check. `causes`: per trial what slowed it more than the others, or None. `boots`: per trial the
    boot it ran in, when several.
    """

    values: Sequence[float | None]
    causes: Sequence[str | None] | None = None
    boots: Sequence[str] | None = None
    lower_is_better: bool = False


@dataclass(frozen=True)
class TrialStatistics:
    """What the trials of one workload in one run show; values in the workload's own unit.

    `mean`, `low`, `high` come from the trials in `kept` (after the warm-up, without the rejected
    ones); `mean_all`, `low_all`, `high_all` from every verified trial with nothing left out.
    `median` (with its own interval) and `next_trial` (where one further trial falls) are given
    within one boot.
    Positions count from 0 in the order measured, failed trials included. Limits are None when the
    data hold no interval; `reason` then says why. `steadiness` is that of the boot that moved
    most, `warm_up_trials` are the leading trials left out.
    """

    trials: int
    kept: tuple[int, ...]
    mean: float | None
    low: float | None
    high: float | None
    confidence: float
    method: str
    sd: float | None
    cv_percent: float | None
    mean_all: float | None
    low_all: float | None
    high_all: float | None
    flagged: tuple[FlaggedTrial, ...]
    rejected: tuple[int, ...]
    failed: tuple[int, ...]
    warm_up: int
    steadiness: Steadiness
    effective_trials: float | None
    reason: str | None
    why: str = ""
    boots: int = 1
    scope: str = "within one boot"
    warm_up_trials: tuple[int, ...] = ()
    median: Interval | None = None
    next_trial: Interval | None = None


class _Series(NamedTuple):
    """The trials of one boot after warm-up and rejection; positions are those of the caller."""

    verified: list[float]
    warm_up: tuple[int, ...]
    judgement: TrialJudgement
    kept: list[float]


def summarise_trials(
    values: Sequence[float | None],
    causes: Sequence[str | None] | None = None,
    confidence: float = 0.95,
    policy: RejectionPolicy | None = None,
    rule: SteadinessRule | None = None,
    *,
    boots: Sequence[str] | None = None,
    dependence: PooledDependence | None = None,
) -> TrialStatistics:
    """Judge the trials of one workload alone; see `WorkloadTrials` for the arguments.

    `dependence` is the serial dependence pooled over the run; without it the trials of this
    workload must show their own, which a handful cannot. Use `summarise_run` for a whole run.
    """
    trials = WorkloadTrials(values, causes, boots)
    series = _split(trials, policy, rule)
    return _statistics(trials, series, confidence, rule, dependence)


def summarise_run(
    workloads: Mapping[str, WorkloadTrials],
    confidence: float = 0.95,
    policy: RejectionPolicy | None = None,
    rule: SteadinessRule | None = None,
    prior: DependencePrior | None = None,
) -> dict[str, TrialStatistics]:
    """Judge every workload of a run, with the serial dependence pooled over all of them."""
    split = {name: _split(trials, policy, rule) for name, trials in workloads.items()}
    pooled = pool_dependence(
        [series.kept for per_boot in split.values() for series in per_boot], prior
    )
    return {
        name: _statistics(trials, split[name], confidence, rule, pooled)
        for name, trials in workloads.items()
    }


def _split(
    trials: WorkloadTrials, policy: RejectionPolicy | None, rule: SteadinessRule | None
) -> list[_Series]:
    """Each boot's trials as a series of its own, in the order the boots appear."""
    if trials.boots is not None and len(trials.boots) != len(trials.values):
        received = f"boots has {len(trials.boots)} entries for {len(trials.values)} trials"
        raise ValueError(f"{received}: give one each")
    positions: dict[str, list[int]] = {}
    for index in range(len(trials.values)):
        positions.setdefault(trials.boots[index] if trials.boots else "", []).append(index)
    chosen = list(positions.values()) or [[]]
    return [_judge_series(trials, indices, policy, rule) for indices in chosen]


def _judge_series(
    trials: WorkloadTrials,
    indices: Sequence[int],
    policy: RejectionPolicy | None,
    rule: SteadinessRule | None,
) -> _Series:
    verified = [index for index in indices if trials.values[index] is not None]
    numbers = [value for index in verified if (value := trials.values[index]) is not None]
    warm_up = tuple(verified[: detect_warm_up(numbers, rule)])
    judged: list[float | None] = [None] * len(trials.values)
    for index in verified[len(warm_up) :]:
        judged[index] = trials.values[index]
    judgement = judge_trials(judged, trials.causes, policy, lower_is_better=trials.lower_is_better)
    kept = [value for index in judgement.kept if (value := judged[index]) is not None]
    return _Series(numbers, warm_up, judgement, kept)


def _statistics(
    trials: WorkloadTrials,
    series: Sequence[_Series],
    confidence: float,
    rule: SteadinessRule | None,
    pooled: PooledDependence | None,
) -> TrialStatistics:
    kept = [value for part in series for value in part.kept]
    numbers = [value for value in trials.values if value is not None]
    shared = _rule_for(len(series), rule)
    steadiness = _least_steady([judge_steadiness(part.kept, shared, pooled) for part in series])
    interval, why = _interval(series, confidence, steadiness)
    everything = _possible(_plain_interval([part.verified for part in series], confidence), numbers)
    sd = sd_of(kept) if len(kept) > 1 else None
    several = sum(bool(part.verified) for part in series) > 1
    return TrialStatistics(
        trials=len(numbers),
        kept=tuple(sorted(index for part in series for index in part.judgement.kept)),
        mean=interval.estimate,
        low=interval.low,
        high=interval.high,
        confidence=confidence,
        method=interval.method,
        sd=sd,
        cv_percent=None if sd is None else cv_percent_of(mean_of(kept), sd),
        mean_all=everything.estimate,
        low_all=everything.low,
        high_all=everything.high,
        flagged=tuple(flag for part in series for flag in part.judgement.flagged),
        rejected=tuple(index for part in series for index in part.judgement.rejected),
        failed=tuple(index for index, value in enumerate(trials.values) if value is None),
        warm_up=sum(len(part.warm_up) for part in series),
        steadiness=steadiness,
        effective_trials=steadiness.dependence.effective_count if kept else None,
        reason=interval.reason,
        why=why,
        boots=sum(bool(part.verified) for part in series),
        scope="across boots" if several else "within one boot",
        warm_up_trials=tuple(index for part in series for index in part.warm_up),
        median=None if several else median_interval(kept, confidence),
        next_trial=None if several else _possible(prediction_interval(kept, confidence), kept),
    )


def _rule_for(boots: int, rule: SteadinessRule | None) -> SteadinessRule:
    """The rule with its chance of a false alarm shared among the boots (Bonferroni)."""
    rule = rule or SteadinessRule()
    return replace(rule, drift_level=rule.drift_level / max(1, boots))


def _least_steady(findings: Sequence[Steadiness]) -> Steadiness:
    """The finding that says most against a steady run."""
    return min(findings, key=lambda finding: {False: 0, None: 1, True: 2}[finding.steady])


def _interval(
    series: Sequence[_Series], confidence: float, steadiness: Steadiness
) -> tuple[Interval, str]:
    boots = [part.kept for part in series if part.kept]
    mean = mean_of([mean_of(boot) for boot in boots]) if boots else None
    refusal = _refusal(series, steadiness)
    if refusal is not None:
        return no_interval(mean, confidence, "none", refusal), refusal
    chosen, why = _chosen(boots, confidence, steadiness)
    interval = _possible(chosen, [value for boot in boots for value in boot])
    return interval, interval.reason if interval is not chosen and interval.reason else why


def _chosen(
    boots: Sequence[Sequence[float]], confidence: float, steadiness: Steadiness
) -> tuple[Interval, str]:
    if len(boots) > 1:
        interval = boots_interval(boots, confidence)
        return interval, "Student's interval of the mean over boots"
    kept = boots[0] if boots else []
    choice = choose_interval(kept, confidence, steadiness.dependence.effective_count or None)
    return choice.interval, choice.why


def _refusal(series: Sequence[_Series], steadiness: Steadiness) -> str | None:
    excess = [part.judgement.reason for part in series if part.judgement.excessive]
    if excess:
        return excess[0]
    if steadiness.steady is False:
        return steadiness.why
    if len(series) == 1 and steadiness.dependence.used > DEPENDENCE_LIMIT:
        used = steadiness.dependence.used
        return f"neighbouring trials depend on each other (correlation {used:.2f})"
    return None


def _possible(interval: Interval, values: Sequence[float]) -> Interval:
    """No interval of values above nought may reach below it."""
    if interval.low is None or not interval.low <= 0.0 < min(values):
        return interval
    return no_interval(interval.estimate, interval.confidence, interval.method, BELOW_NOUGHT)


def _plain_interval(boots: Sequence[Sequence[float]], confidence: float) -> Interval:
    filled = [boot for boot in boots if boot]
    if len(filled) > 1:
        return boots_interval(filled, confidence)
    return student_interval(filled[0] if filled else [], confidence)
