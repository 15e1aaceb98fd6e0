"""Location, spread and lag-1 dependence of one list of trial values.

Sums are exact to the last bit (`math.fsum`) and the spread is taken about the mean (two passes),
because throughput of 1e7 with a spread of 0.1 leaves a one-pass formula nothing: compare the NIST
Statistical Reference Datasets NumAcc3 and NumAcc4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise


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
