"""Which trials stand out, and which of them may be left out.

The generalized extreme Studentized deviate test *flags*. A flagged trial is *rejected* only when
it is slow and the record knows what slowed it, because leaving out whatever looks odd breaks the
interval that is computed afterwards: the simulation study shows how far. No cause makes a trial
fast, so none excuses a fast one: that may be the least disturbed of all. Rejection without a cause
is possible only as an explicit policy. A trial that failed its check has no value here: it is a
failure, never an outlier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from harness.statistics.quantiles import student_quantile
from harness.statistics.summary import is_constant, mean_of, sd_of
from harness.statistics.validation import require_confidence, require_finite


@dataclass(frozen=True)
class RejectionPolicy:
    """How outliers are looked for and what may be done with them.

    `significance`: chance of flagging anything in clean normal data.
    `searched_share`: at most this share of the trials is examined as possible outliers (at least
    one trial).
    `rejected_share`: more rejections than this share (one is always allowed) make the workload
    inconclusive.
    `minimum_trials`: nothing is flagged among fewer trials.
    `blind`: reject flagged trials without a recorded cause.
    """

    significance: float = 0.05
    searched_share: float = 0.34
    rejected_share: float = 0.2
    minimum_trials: int = 5
    blind: bool = False

    def __post_init__(self) -> None:
        """Refuse shares and levels that are no probabilities."""
        require_confidence(self.significance, "significance")
        require_confidence(self.searched_share, "searched_share")
        require_confidence(self.rejected_share, "rejected_share")

    def searched(self, count: int) -> int:
        """How many outliers to look for among `count` trials."""
        return max(1, int(self.searched_share * count))

    def allowed(self, count: int) -> int:
        """How many rejections among `count` trials leave the workload usable."""
        return max(1, int(self.rejected_share * count))


@dataclass(frozen=True)
class EsdResult:
    """The steps of the test: `statistics[i] > critical_values[i]` for the largest i decides.

    `indices` are the outliers in the order they were removed, as positions in the input.
    """

    indices: tuple[int, ...]
    statistics: tuple[float, ...]
    critical_values: tuple[float, ...]


@dataclass(frozen=True)
class FlaggedTrial:
    """A trial that stands out; `cause` is what explains it, or None (always, for a fast one)."""

    index: int
    cause: str | None


@dataclass(frozen=True)
class TrialJudgement:
    """Positions (in the input) of the trials kept, flagged, rejected and failed.

    `excessive` is True when more were rejected than the policy allows; `reason` then says so.
    """

    kept: tuple[int, ...]
    flagged: tuple[FlaggedTrial, ...]
    rejected: tuple[int, ...]
    failed: tuple[int, ...]
    excessive: bool
    reason: str | None


def esd_critical_value(count: int, step: int, significance: float) -> float:
    """Critical value lambda_i of step i (1-based) among `count` values.

    Rosner (1983), Technometrics 25(2):165-172, equation 2.5, as given in the NIST/SEMATECH
    e-Handbook 1.3.5.17.3. The approximation is stated good for 25 values and more; for the first
    step it is Grubbs' exact bound on the level at any count.
    """
    remaining = count - step + 1
    tail = significance / (2.0 * remaining)
    t = student_quantile(1.0 - tail, remaining - 2)
    return (remaining - 1) * t / math.sqrt((remaining - 2 + t * t) * remaining)


def generalized_esd(
    values: Sequence[float], max_outliers: int, significance: float = 0.05
) -> EsdResult:
    """Generalized extreme Studentized deviate test for up to `max_outliers` outliers.

    Rosner (1983). The number of outliers is the *largest* step whose statistic exceeds its
    critical value; a test that stops at the first step below it is masked by a second outlier.
    """
    require_finite(values)
    remaining = list(range(len(values)))
    removed: list[int] = []
    statistics: list[float] = []
    criticals: list[float] = []
    for step in range(1, min(max_outliers, len(values) - 2) + 1):
        current = [values[index] for index in remaining]
        if is_constant(current):
            break
        furthest, statistic = _most_deviant(current)
        removed.append(remaining.pop(furthest))
        statistics.append(statistic)
        criticals.append(esd_critical_value(len(values), step, significance))
    exceeding = [i for i, pair in enumerate(zip(statistics, criticals, strict=True)) if _over(pair)]
    found = exceeding[-1] + 1 if exceeding else 0
    return EsdResult(tuple(removed[:found]), tuple(statistics), tuple(criticals))


def _over(pair: tuple[float, float]) -> bool:
    return pair[0] > pair[1]


def _most_deviant(values: Sequence[float]) -> tuple[int, float]:
    mean, sd = mean_of(values), sd_of(values)
    if sd == 0.0:
        return 0, 0.0
    index = max(range(len(values)), key=lambda position: abs(values[position] - mean))
    return index, abs(values[index] - mean) / sd


def judge_trials(
    values: Sequence[float | None],
    causes: Sequence[str | None] | None = None,
    policy: RejectionPolicy | None = None,
    *,
    lower_is_better: bool = False,
) -> TrialJudgement:
    """Flag by the generalized ESD test, reject only slow trials with a cause (if blind, all).

    `values`: throughput per trial in the order measured (latency, with `lower_is_better`); None
    where the trial failed its check. `causes`: for each trial what slowed it down, or None.
    """
    policy = policy or RejectionPolicy()
    known = list(causes) if causes is not None else [None] * len(values)
    if len(known) != len(values):
        raise ValueError(f"causes has {len(known)} entries for {len(values)} trials: give one each")
    entered = [index for index, value in enumerate(values) if value is not None]
    failed = tuple(index for index, value in enumerate(values) if value is None)
    flagged = _flag(values, entered, known, policy, lower_is_better)
    rejected = tuple(flag.index for flag in flagged if policy.blind or flag.cause is not None)
    kept = tuple(index for index in entered if index not in rejected)
    excessive = len(rejected) > policy.allowed(len(entered))
    reason = _excess(len(rejected), len(entered), policy) if excessive else None
    return TrialJudgement(kept, flagged, rejected, failed, excessive, reason)


def _flag(
    values: Sequence[float | None],
    entered: Sequence[int],
    causes: Sequence[str | None],
    policy: RejectionPolicy,
    lower_is_better: bool,
) -> tuple[FlaggedTrial, ...]:
    numbers = [value for value in values if value is not None]
    require_finite(numbers)
    if len(numbers) < policy.minimum_trials:
        return ()
    result = generalized_esd(numbers, policy.searched(len(numbers)), policy.significance)
    usual = median(numbers)
    return tuple(
        FlaggedTrial(
            entered[index],
            causes[entered[index]] if (numbers[index] > usual) is lower_is_better else None,
        )
        for index in sorted(result.indices)
    )


def _excess(rejected: int, entered: int, policy: RejectionPolicy) -> str:
    return (
        f"{rejected} of {entered} trials were rejected, "
        f"more than the {policy.allowed(entered)} that leave a result usable"
    )
