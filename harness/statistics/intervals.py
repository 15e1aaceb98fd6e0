"""Intervals from one list of trial values, and the rule that chooses between them.

Every function returns an `Interval`; where the data hold no interval its limits are None and
`reason` says why.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.quantiles import student_two_sided
from harness.statistics.summary import is_constant, mean_of, median_of, sd_of
from harness.statistics.validation import require_confidence, require_finite


@dataclass(frozen=True)
class Interval:
    """An estimate with limits that cover it with `confidence`, in the unit of the values.

    `method` names how it was computed; `degrees` are the degrees of freedom where it has any.
    """

    estimate: float | None
    low: float | None
    high: float | None
    confidence: float
    method: str
    degrees: float | None = None
    reason: str | None = None

    @property
    def half_width(self) -> float | None:
        """Half the distance between the limits; None without limits."""
        if self.low is None or self.high is None:
            return None
        return (self.high - self.low) / 2.0


def no_interval(estimate: float | None, confidence: float, method: str, reason: str) -> Interval:
    """An interval that does not exist, with the reason."""
    return Interval(estimate, None, None, confidence, method, None, reason)


def degenerate_reason(values: Sequence[float], at_least: int = 2) -> str | None:
    """Why these values hold no interval, or None when they may."""
    if not values:
        return "no trial"
    if len(values) < at_least:
        plural = "" if len(values) == 1 else "s"
        return f"{len(values)} trial{plural}: at least {at_least} are needed for an interval"
    if is_constant(values):
        return "zero spread: the trials do not differ, so their spread is not known"
    return None


def student_interval(
    values: Sequence[float], confidence: float = 0.95, effective_count: float | None = None
) -> Interval:
    """Mean with Student's interval: mean +- t * s / sqrt(n).

    Student (1908); NIST/SEMATECH e-Handbook 1.3.5.2. `effective_count` replaces n in the standard
    error and n - 1 in the degrees of freedom when trials are not independent (at least 2).
    """
    require_finite(values)
    require_confidence(confidence)
    method = "Student"
    reason = degenerate_reason(values)
    if reason is not None:
        return no_interval(mean_of(values) if values else None, confidence, method, reason)
    mean = mean_of(values)
    count = float(len(values)) if effective_count is None else effective_count
    if count < 2.0:
        reason = f"the trials are worth only {count:.1f} independent ones"
        return no_interval(mean, confidence, method, reason)
    half = student_two_sided(confidence, count - 1.0) * sd_of(values) / math.sqrt(count)
    return Interval(mean, mean - half, mean + half, confidence, method, count - 1.0)


def median_rank(count: int, confidence: float) -> int:
    """Largest rank r such that the r-th smallest and r-th largest value enclose the median with
    at least `confidence`; 0 where even the extremes do not.

    Coverage is 1 - 2 P(B < r) for B binomial(n, 1/2): Conover (1999), Practical Nonparametric
    Statistics, section 3.2. The first count with a 95 % interval is 6 (96.9 %).
    """
    require_confidence(confidence)
    tail = 0.0
    for rank in range(count // 2 + 1):
        tail += math.comb(count, rank) / 2.0**count
        if 1.0 - 2.0 * tail < confidence:
            return rank
    return count // 2


def median_coverage(count: int, rank: int) -> float:
    """Probability that the rank-th smallest and rank-th largest value enclose the median."""
    return 1.0 - 2.0 * sum(math.comb(count, below) for below in range(rank)) / 2.0**count


def median_interval(values: Sequence[float], confidence: float = 0.95) -> Interval:
    """Median with the distribution-free interval between two order statistics.

    The coverage of whole ranks jumps, so the limits are interpolated between the ranks that
    enclose the claim: Hettmansperger and Sheather (1986), Statistics & Probability Letters
    4:75-79; nearly exact over continuous distributions (Nyblom 1992, ibid. 14:139-142).
    """
    require_finite(values)
    method = "order statistics"
    reason = degenerate_reason(values)
    rank = median_rank(len(values), confidence)
    if reason is None and rank == 0:
        reason = (
            f"{len(values)} trials: no {100 * confidence:g} % interval of a median exists"
            f" under {_median_minimum(confidence)} trials"
        )
    if reason is not None:
        return no_interval(median_of(values) if values else None, confidence, method, reason)
    low, high = _interpolated_limits(sorted(values), rank, confidence)
    return Interval(median_of(values), low, high, confidence, method)


def _median_minimum(confidence: float) -> int:
    count = 2
    while median_rank(count, confidence) == 0:
        count += 1
    return count


def _interpolated_limits(
    ordered: Sequence[float], rank: int, confidence: float
) -> tuple[float, float]:
    count = len(ordered)
    low, high = ordered[rank - 1], ordered[count - rank]
    if 2 * (rank + 1) > count:
        return low, high
    wide, narrow = median_coverage(count, rank), median_coverage(count, rank + 1)
    share = (wide - confidence) / (wide - narrow)
    weight = (count - rank) * share / (rank + (count - 2 * rank) * share)
    inner_low, inner_high = ordered[rank], ordered[count - rank - 1]
    return (
        low + weight * (inner_low - low),
        high - weight * (high - inner_high),
    )
