"""The bias-corrected and accelerated bootstrap, one matrix of resamples at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.statistics.quantiles import normal_cdf, normal_quantile, student_two_sided
from harness.statistics.validation import require_confidence, require_finite

Numbers = NDArray[np.float64]
#: Takes values along the last axis and returns one number for each row.
Statistic = Callable[[Numbers], Numbers]


@dataclass(frozen=True)
class BootstrapLimits:
    """Limits and the constants they came from; limits are None with a reason when undefined."""

    estimate: float
    low: float | None
    high: float | None
    bias: float | None
    acceleration: float | None
    reason: str | None = None


def row_means(values: Numbers) -> Numbers:
    """Mean along the last axis."""
    return np.asarray(values.mean(axis=-1))


def acceleration_of(values: Numbers, statistic: Statistic) -> float:
    """Acceleration from the jackknife: sum d^3 / (6 (sum d^2)^(3/2)).

    Efron and Tibshirani (1993), An Introduction to the Bootstrap, equation 14.15.
    """
    count = len(values)
    left_out = np.broadcast_to(values, (count, count))[~np.eye(count, dtype=bool)]
    points = statistic(left_out.reshape(count, count - 1))
    deviations = points.mean() - points
    squares = float((deviations**2).sum())
    return 0.0 if squares == 0.0 else float((deviations**3).sum()) / (6.0 * squares**1.5)


def bca_level(level: float, bias: float, acceleration: float) -> float:
    """Share of the bootstrap distribution below the BCa limit for a nominal `level`.

    Efron and Tibshirani (1993), equation 14.10.
    """
    shifted = bias + normal_quantile(level)
    return normal_cdf(bias + shifted / (1.0 - acceleration * shifted))


def expanded_tail(count: int, confidence: float) -> float:
    """Tail level that makes a bootstrap interval as wide as Student's for `count` values.

    Resampling n values understates the variance by (n - 1)/n and uses normal quantiles; Hesterberg
    (2015), The American Statistician 69:371-386, section 5.3, expands the levels for both.
    """
    t = student_two_sided(confidence, count - 1)
    return normal_cdf(-t * float(np.sqrt(count / (count - 1.0))))


def bootstrap_replicates(
    values: Numbers, statistic: Statistic, resamples: int, seed: int
) -> Numbers:
    """`resamples` values of the statistic over samples drawn with replacement; seeded."""
    generator = np.random.default_rng(seed)
    indices = generator.integers(0, len(values), size=(resamples, len(values)))
    return statistic(values[indices])


def bca_limits(
    values: Sequence[float],
    confidence: float = 0.95,
    statistic: Statistic = row_means,
    *,
    resamples: int = 4000,
    seed: int = 1,
    expand: bool = False,
) -> BootstrapLimits:
    """BCa limits of a statistic of independent values.

    Efron (1987), J. Amer. Statist. Assoc. 82:171-185. `expand` widens the levels for small
    samples. The seed is fixed so that judging a record again gives the same limits.
    """
    require_finite(values)
    require_confidence(confidence)
    sample = np.asarray(values, dtype=np.float64)
    estimate = float(statistic(sample[np.newaxis, :])[0]) if len(sample) else float("nan")
    if len(sample) < 3 or np.ptp(sample) == 0.0:
        return BootstrapLimits(estimate, None, None, None, None, "too few differing values")
    replicates = bootstrap_replicates(sample, statistic, resamples, seed)
    below = float(np.mean(replicates < estimate) + np.mean(replicates <= estimate)) / 2.0
    if not 0.0 < below < 1.0:
        return BootstrapLimits(estimate, None, None, None, None, "the resamples lie on one side")
    bias, acceleration = normal_quantile(below), acceleration_of(sample, statistic)
    tail = expanded_tail(len(sample), confidence) if expand else (1.0 - confidence) / 2.0
    levels = [bca_level(level, bias, acceleration) for level in (tail, 1.0 - tail)]
    low, high = (float(limit) for limit in _quantiles(replicates, levels))
    return BootstrapLimits(estimate, low, high, bias, acceleration)


def _quantiles(replicates: Numbers, levels: Sequence[float]) -> Any:
    return np.quantile(replicates, levels)
