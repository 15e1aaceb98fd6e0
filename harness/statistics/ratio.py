"""Intervals of a ratio of two means: on the log scale (Welch), or by Fieller's theorem."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.levels import combine_variances
from harness.statistics.quantiles import student_two_sided
from harness.statistics.validation import require_finite


@dataclass(frozen=True)
class RatioInterval:
    """A ratio with limits; `se_log` is the standard error of its logarithm where that was used."""

    ratio: float | None
    low: float | None
    high: float | None
    confidence: float
    method: str
    degrees: float | None = None
    se_log: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class FiellerLimits:
    """Fieller's limits of a / b. `g` at or above 1 means b is not shown to differ from 0."""

    ratio: float
    low: float | None
    high: float | None
    g: float
    reason: str | None = None


def logs_of(values: Sequence[float]) -> list[float] | None:
    """Natural logarithms, or None where a value is not positive."""
    require_finite(values)
    if any(value <= 0.0 for value in values):
        return None
    return [math.log(value) for value in values]


def ratio_from_terms(
    difference: float,
    terms: Sequence[tuple[float, float | None]],
    confidence: float,
    method: str,
) -> RatioInterval:
    """Interval of exp(difference) whose variance is a sum of independent estimated terms."""
    variance, degrees = combine_variances(terms)
    ratio = math.exp(difference)
    if variance <= 0.0:
        reason = "zero spread: the trials do not differ, so their spread is not known"
        return RatioInterval(ratio, None, None, confidence, method, reason=reason)
    error = math.sqrt(variance)
    half = student_two_sided(confidence, degrees) * error
    low, high = math.exp(difference - half), math.exp(difference + half)
    return RatioInterval(ratio, low, high, confidence, method, degrees, error)


def fieller_limits(
    numerator: float,
    denominator: float,
    se_numerator: float,
    se_denominator: float,
    t: float,
    correlation: float = 0.0,
) -> FiellerLimits:
    """Limits of numerator / denominator for means with known standard errors and factor t.

    Fieller (1954), J. R. Statist. Soc. B 16:175-185; the form with g of Finney (1978),
    Statistical Method in Biological Assay. No finite limits exist where g >= 1.
    """
    ratio = numerator / denominator
    v11, v22 = se_numerator**2, se_denominator**2
    v12 = correlation * se_numerator * se_denominator
    g = t * t * v22 / denominator**2
    if g >= 1.0:
        reason = "the denominator is not shown to differ from 0"
        return FiellerLimits(ratio, None, None, g, reason)
    centre = ratio - g * v12 / v22 if v22 > 0.0 else ratio
    # The discriminant cannot be negative while g < 1, save for rounding.
    inside = v11 - 2.0 * ratio * v12 + ratio**2 * v22 - g * (v11 - _ratio(v12**2, v22))
    half = t / denominator * math.sqrt(max(0.0, inside))
    limits = sorted(((centre - half) / (1.0 - g), (centre + half) / (1.0 - g)))
    return FiellerLimits(ratio, limits[0], limits[1], g)


def _ratio(numerator: float, denominator: float) -> float:
    return numerator / denominator if denominator > 0.0 else 0.0
