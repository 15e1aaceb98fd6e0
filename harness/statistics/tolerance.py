"""Where single results fall: tolerance intervals for a share of them, prediction for the next."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache

from harness.statistics.choice import is_skewed
from harness.statistics.intervals import Interval, degenerate_reason, no_interval
from harness.statistics.quantiles import (
    chi2_quantile,
    normal_cdf,
    normal_quantile,
    student_two_sided,
)
from harness.statistics.summary import mean_of, sd_of
from harness.statistics.validation import require_confidence, require_finite

#: Name of the limits that assume no distribution.
FREE_METHOD = "tolerance, smallest to largest trial"


def prediction_interval(values: Sequence[float], confidence: float = 0.95) -> Interval:
    """Where one further trial falls: mean +- t * s * sqrt(1 + 1/n), for normal values.

    Hahn and Meeker (1991), Statistical Intervals, section 4.8.
    """
    require_finite(values)
    require_confidence(confidence)
    reason = degenerate_reason(values)
    if reason is not None:
        return no_interval(mean_of(values) if values else None, confidence, "prediction", reason)
    count, mean = len(values), mean_of(values)
    half = student_two_sided(confidence, count - 1) * sd_of(values) * math.sqrt(1.0 + 1.0 / count)
    return Interval(mean, mean - half, mean + half, confidence, "prediction", count - 1.0)


def tolerance_interval(
    values: Sequence[float],
    content: float = 0.95,
    confidence: float = 0.95,
    effective_count: float | None = None,
) -> Interval:
    """Limits that hold at least `content` of all further trials, with `confidence`: mean +- k s.

    For normal values, with the exact two-sided factor (ISO 16269-6:2014). Trials that depend on
    each other count for the `effective_count` independent ones that they are worth, rounded down.
    """
    require_finite(values)
    method = "tolerance"
    reason = degenerate_reason(values)
    count = _worth(values, effective_count)
    if reason is None and count < 2:
        reason = "the trials are worth fewer than two independent ones"
    if reason is not None:
        return no_interval(mean_of(values) if values else None, confidence, method, reason)
    mean = mean_of(values)
    half = tolerance_factor(count, content, confidence) * sd_of(values)
    return Interval(mean, mean - half, mean + half, confidence, method, count - 1.0)


def free_tolerance_interval(
    values: Sequence[float],
    content: float = 0.95,
    confidence: float = 0.95,
    effective_count: float | None = None,
) -> Interval:
    """The same from the smallest to the largest value, whatever the distribution.

    Wilks (1941), Ann. Math. Statist. 12:91-96: the share between the extremes of n independent
    values is beta distributed with n - 1 and 2. Values that depend on each other count for the
    `effective_count` that they are worth, rounded down.
    """
    require_finite(values)
    reason = degenerate_reason(values)
    count = _worth(values, effective_count)
    needed = free_tolerance_count(content, confidence)
    if reason is None and count < needed:
        worth = "" if count == len(values) else f", worth {count} independent ones,"
        reason = (
            f"{len(values)} trials{worth} that look unlike a normal distribution: {needed} are "
            "needed for limits that assume none"
        )
    if reason is not None:
        return no_interval(mean_of(values) if values else None, confidence, FREE_METHOD, reason)
    return Interval(mean_of(values), min(values), max(values), confidence, FREE_METHOD)


def _worth(values: Sequence[float], effective_count: float | None) -> int:
    return len(values) if effective_count is None else min(len(values), int(effective_count))


def free_tolerance_count(content: float, confidence: float) -> int:
    """Fewest values whose extremes hold `content` with `confidence`.

    Wilks (1941): 1 - n p^(n-1) + (n-1) p^n is at least the confidence.
    """
    require_confidence(content, "content")
    require_confidence(confidence)
    count = 2
    while 1.0 - count * content ** (count - 1) + (count - 1) * content**count < confidence:
        count += 1
    return count


def where_trials_fall(
    values: Sequence[float],
    content: float = 0.95,
    confidence: float = 0.95,
    *,
    effective_count: float | None = None,
    straying: bool = False,
) -> Interval:
    """The tolerance interval that suits the trials.

    The normal one, unless they are skewed or some are `straying` (stood out and were kept): its
    limits are out in the tails, where another distribution makes them wrong.
    """
    if straying or is_skewed(values):
        return free_tolerance_interval(values, content, confidence, effective_count)
    return tolerance_interval(values, content, confidence, effective_count)


@lru_cache(maxsize=512)
def tolerance_factor(count: int, content: float, confidence: float) -> float:
    """Exact two-sided factor k for `count` normal values.

    k solves P(the limits hold at least `content`) = `confidence`, an integral over where the mean
    falls: Odeh and Owen (1980), Tables for Normal Tolerance Limits; ISO 16269-6:2014 annex. The
    older tables (Bowker, Howe) approximate it and print 3.379 where 10 values need 3.393.
    """
    from scipy.optimize import brentq

    require_confidence(content, "content")
    require_confidence(confidence)
    start = howe_factor(count, content, confidence)
    excess = _coverage_excess(count, content, confidence)
    return float(brentq(excess, start / 2.0, start * 3.0, xtol=1e-10))


def _coverage_excess(count: int, content: float, confidence: float) -> Callable[[float], float]:
    import numpy as np
    from scipy.special import gammaincc

    nodes, weights = np.polynomial.legendre.leggauss(128)
    reach = 8.0
    points = reach * (nodes + 1.0) / 2.0
    density = np.exp(-(points**2) / 2.0) / math.sqrt(2.0 * math.pi)
    squared = np.array([_reach_squared(z / math.sqrt(count), content) for z in points])

    def excess(factor: float) -> float:
        degrees = count - 1
        held = gammaincc(degrees / 2.0, degrees * squared / (2.0 * factor**2))
        return float(reach * np.sum(weights * density * held)) - confidence

    return excess


def _reach_squared(offset: float, content: float) -> float:
    """Square of r with P(offset - r < Z < offset + r) = content, by bisection."""
    low, high = 0.0, offset + normal_quantile(0.5 + content / 2.0) + 1.0
    for _ in range(60):
        middle = (low + high) / 2.0
        if normal_cdf(offset + middle) - normal_cdf(offset - middle) < content:
            low = middle
        else:
            high = middle
    return low * low


def howe_factor(count: int, content: float, confidence: float) -> float:
    """Howe's approximate two-sided factor; NIST/SEMATECH e-Handbook 7.2.6.3."""
    z = normal_quantile(0.5 + content / 2.0)
    chi2 = chi2_quantile(1.0 - confidence, count - 1)
    return z * math.sqrt((count - 1) * (1.0 + 1.0 / count) / chi2)
