"""Location, spread and lag-1 dependence of one list of trial values.

Sums are exact to the last bit (`math.fsum`) and the spread is taken about the mean (two passes),
because throughput of 1e7 with a spread of 0.1 leaves a one-pass formula nothing: compare the NIST
Statistical Reference Datasets NumAcc3 and NumAcc4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True)
class Summary:
    """What one list of values shows; a quantity that does not exist is None, `reason` says why."""

    count: int
    mean: float | None
    sd: float | None
    cv_percent: float | None
    median: float | None
    minimum: float | None
    maximum: float | None
    lag1: float | None
    reason: str | None


def mean_of(values: Sequence[float]) -> float:
    """Arithmetic mean of at least one value."""
    return math.fsum(values) / len(values)


def sum_of_squares(values: Sequence[float]) -> float:
    """Sum of squared deviations from the mean, corrected for the rounding of the mean.

    The correction term is Chan, Golub and LeVeque (1983), The American Statistician 37:242-247.
    """
    mean = mean_of(values)
    deviations = [value - mean for value in values]
    squares = math.fsum(deviation * deviation for deviation in deviations)
    return max(0.0, squares - math.fsum(deviations) ** 2 / len(values))


def sd_of(values: Sequence[float]) -> float:
    """Standard deviation with divisor n - 1 of at least two values."""
    return math.sqrt(sum_of_squares(values) / (len(values) - 1))


def median_of(values: Sequence[float]) -> float:
    """Middle value, or the mean of the two middle values."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return (ordered[middle - 1] + ordered[middle]) / 2.0


def lag1_of(values: Sequence[float]) -> float | None:
    """Lag-1 autocorrelation coefficient; None where the values do not vary.

    r1 = sum (x_i - m)(x_{i+1} - m) / sum (x_i - m)^2: NIST/SEMATECH e-Handbook 1.3.5.12.
    """
    mean = mean_of(values)
    deviations = [value - mean for value in values]
    squares = math.fsum(deviation * deviation for deviation in deviations)
    if squares <= 0.0 or is_constant(values):
        return None
    products = (first * second for first, second in pairwise(deviations))
    return math.fsum(products) / squares


def is_constant(values: Sequence[float]) -> bool:
    """Whether all values are the same number, so that no spread can be told."""
    return min(values) == max(values)


def cv_percent_of(mean: float, sd: float) -> float | None:
    """Coefficient of variation in percent; None about a mean of zero."""
    return None if mean == 0.0 else 100.0 * sd / abs(mean)


def summarise(values: Sequence[float]) -> Summary:
    """Describe `values` in the order they were measured; no error on any count of them."""
    if not values:
        return Summary(0, None, None, None, None, None, None, None, "no trial")
    mean = mean_of(values)
    low, high = min(values), max(values)
    if len(values) == 1:
        return Summary(1, mean, None, None, mean, low, high, None, "one trial has no spread")
    sd = sd_of(values)
    lag1 = lag1_of(values)
    reason = "zero spread" if lag1 is None else None
    cv = cv_percent_of(mean, sd)
    return Summary(len(values), mean, sd, cv, median_of(values), low, high, lag1, reason)
