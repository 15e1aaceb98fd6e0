"""Drift over a series: the Mann-Kendall test and the Theil-Sen slope."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from harness.statistics.quantiles import normal_cdf, normal_quantile
from harness.statistics.summary import median_of
from harness.statistics.validation import require_confidence, require_finite

EXACT_UP_TO = 40


@dataclass(frozen=True)
class MannKendall:
    """Kendall's S of the series against its order, and the chance of as large a one without trend.

    `p_value` is two-sided; None with a `reason` when no trend can be told.
    """

    s: int
    tau: float | None
    p_value: float | None
    exact: bool
    reason: str | None


@dataclass(frozen=True)
class TheilSen:
    """Median slope per step of the series with its interval; None where there is no pair."""

    slope: float | None
    intercept: float | None
    low: float | None
    high: float | None
    confidence: float
    reason: str | None


def kendall_s(values: Sequence[float]) -> int:
    """Number of rising pairs minus number of falling pairs."""
    return sum(
        (later > earlier) - (later < earlier)
        for position, earlier in enumerate(values)
        for later in values[position + 1 :]
    )


def mann_kendall(values: Sequence[float]) -> MannKendall:
    """Test for a monotonic trend.

    Mann (1945), Econometrica 13:245-259; Kendall (1975), Rank Correlation Methods. Without ties
    and up to 40 values the null distribution is exact (it is that of the number of inversions of
    a random permutation); otherwise the normal approximation with the variance corrected for ties
    and the continuity correction is used (Gilbert 1987, Statistical Methods for Environmental
    Pollution Monitoring, chapter 16).
    """
    require_finite(values)
    count = len(values)
    s = kendall_s(values) if count else 0
    if count < 3:
        return MannKendall(s, None, None, False, "fewer than 3 values show no trend")
    ties = [size for size in Counter(values).values() if size > 1]
    if ties == [count]:
        return MannKendall(0, None, None, False, "zero spread")
    pairs = count * (count - 1) / 2
    tied = sum(size * (size - 1) / 2 for size in ties)
    tau = s / math.sqrt(pairs * (pairs - tied))
    if not ties and count <= EXACT_UP_TO:
        return MannKendall(s, tau, _exact_p_value(count, s), True, None)
    return MannKendall(s, tau, _normal_p_value(count, s, ties), False, None)


def _exact_p_value(count: int, s: int) -> float:
    counts = _inversion_counts(count)
    pairs = count * (count - 1) // 2
    fewest = (pairs - abs(s)) // 2
    return min(1.0, 2.0 * sum(counts[: fewest + 1]) / math.factorial(count))


@lru_cache(maxsize=EXACT_UP_TO + 1)
def _inversion_counts(count: int) -> tuple[int, ...]:
    """How many permutations of `count` things have 0, 1, 2... inversions (exact integers)."""
    counts = [1]
    for size in range(2, count + 1):
        longer = [0] * (len(counts) + size - 1)
        for shift in range(size):
            for position, number in enumerate(counts):
                longer[position + shift] += number
        counts = longer
    return tuple(counts)


def kendall_variance(count: int, ties: Sequence[int]) -> float:
    """Variance of S without trend, corrected for groups of tied values (Gilbert 1987)."""
    tied = sum(size * (size - 1) * (2 * size + 5) for size in ties)
    return (count * (count - 1) * (2 * count + 5) - tied) / 18.0


def _normal_p_value(count: int, s: int, ties: Sequence[int]) -> float:
    if s == 0:
        return 1.0
    z = (abs(s) - 1) / math.sqrt(kendall_variance(count, ties))
    return min(1.0, 2.0 * normal_cdf(-z))


def theil_sen(values: Sequence[float], confidence: float = 0.95) -> TheilSen:
    """Slope per step as the median of all pairwise slopes, with Sen's interval.

    Theil (1950); Sen (1968), J. Amer. Statist. Assoc. 63:1379-1389. The interval takes the
    pairwise slopes whose ranks lie z * sqrt(Var S) / 2 from the middle, rounded outwards, so it is
    never narrower than claimed by the approximation.
    """
    require_finite(values)
    require_confidence(confidence)
    count = len(values)
    if count < 2:
        return TheilSen(None, None, None, None, confidence, "one value has no slope")
    slopes = sorted(
        (values[later] - values[earlier]) / (later - earlier)
        for earlier in range(count)
        for later in range(earlier + 1, count)
    )
    slope = median_of(slopes)
    intercept = median_of(values) - slope * (count - 1) / 2.0
    low, high, reason = _slope_limits(values, slopes, confidence)
    return TheilSen(slope, intercept, low, high, confidence, reason)


def _slope_limits(
    values: Sequence[float], slopes: Sequence[float], confidence: float
) -> tuple[float | None, float | None, str | None]:
    ties = [size for size in Counter(values).values() if size > 1]
    spread = normal_quantile(0.5 + confidence / 2.0) * math.sqrt(
        kendall_variance(len(values), ties)
    )
    rank = math.floor((len(slopes) - spread) / 2.0)
    if rank < 1:
        return None, None, f"{len(values)} values are too few for an interval of the slope"
    return slopes[rank - 1], slopes[len(slopes) - rank], None
