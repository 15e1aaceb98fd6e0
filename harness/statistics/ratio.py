"""Intervals of a ratio of two means: on the log scale (Welch), or by Fieller's theorem."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.intervals import degenerate_reason
from harness.statistics.levels import combine_variances
from harness.statistics.quantiles import student_two_sided
from harness.statistics.summary import mean_of, sd_of
from harness.statistics.validation import require_confidence, require_finite


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


def log_ratio_interval(
    before: Sequence[float], after: Sequence[float], confidence: float = 0.95
) -> RatioInterval:
    """Ratio of geometric means, after / before, from independent trials of both sides.

    Welch's interval of the difference of mean logarithms, transformed back: Welch (1947),
    Biometrika 34:28-35; NIST/SEMATECH e-Handbook 7.3.1. For the spreads of a benchmark the
    geometric mean is the mean to a part in ten thousand.
    """
    require_confidence(confidence)
    method = "Welch on logarithms"
    logs = [logs_of(side) for side in (before, after)]
    first, second = logs
    if first is None or second is None:
        reason = "a ratio needs positive values"
        return RatioInterval(None, None, None, confidence, method, reason=reason)
    if not first or not second:
        return RatioInterval(None, None, None, confidence, method, reason="no trial on one side")
    difference = mean_of(second) - mean_of(first)
    if len(first) < 2 or len(second) < 2:
        reason = degenerate_reason(first if len(first) < 2 else second) or ""
        return RatioInterval(math.exp(difference), None, None, confidence, method, reason=reason)
    terms = [(sd_of(side) ** 2 / len(side), len(side) - 1.0) for side in (first, second)]
    return ratio_from_terms(difference, terms, confidence, method)


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


def fieller_ratio(
    before: Sequence[float], after: Sequence[float], confidence: float = 0.95
) -> RatioInterval:
    """Ratio of arithmetic means, after / before, with Fieller's limits.

    The degrees of freedom are Welch-Satterthwaite's at the estimated ratio, as for the difference
    after - ratio * before whose sign the theorem inverts.
    """
    method = "Fieller"
    reason = degenerate_reason(before) or degenerate_reason(after)
    if reason is not None or mean_of(before) == 0.0:
        return RatioInterval(None, None, None, confidence, method, reason=reason or "mean of 0")
    ratio = mean_of(after) / mean_of(before)
    errors = [sd_of(side) / math.sqrt(len(side)) for side in (before, after)]
    terms = [((ratio * errors[0]) ** 2, len(before) - 1.0), (errors[1] ** 2, len(after) - 1.0)]
    degrees = combine_variances(terms)[1]
    t = student_two_sided(confidence, degrees)
    limits = fieller_limits(mean_of(after), mean_of(before), errors[1], errors[0], t)
    return RatioInterval(
        ratio, limits.low, limits.high, confidence, method, degrees, None, limits.reason
    )
