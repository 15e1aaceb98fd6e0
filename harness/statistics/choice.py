"""Which interval suits one list of trials, with the reason in one sentence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.intervals import Interval, no_interval, student_interval
from harness.statistics.quantiles import normal_cdf
from harness.statistics.summary import is_constant, mean_of, sum_of_squares

#: Under this many trials skewness is not seen and the bootstrap is worse than Student.
BOOTSTRAP_FROM = 20
#: One-sided chance of calling symmetric normal trials skewed.
SKEWNESS_LEVEL = 0.02


@dataclass(frozen=True)
class Choice:
    """The interval chosen and why it suits."""

    interval: Interval
    why: str


def skewness_of(values: Sequence[float]) -> float | None:
    """Sample skewness m3 / m2^(3/2); None where the values do not vary."""
    if len(values) < 3 or is_constant(values):
        return None
    mean, squares = mean_of(values), sum_of_squares(values)
    cubes = math.fsum((value - mean) ** 3 for value in values)
    return math.sqrt(len(values)) * cubes / (squares * math.sqrt(squares))


def skewness_p_value(values: Sequence[float]) -> float | None:
    """Two-sided p-value of the skewness test, from 8 values on.

    D'Agostino (1970), Biometrika 57:679-681: a Johnson S_U transform of the sample skewness.
    """
    skewness = skewness_of(values)
    count = len(values)
    if skewness is None or count < 8:
        return None
    y = skewness * math.sqrt((count + 1.0) * (count + 3.0) / (6.0 * (count - 2.0)))
    numerator = 3.0 * (count**2 + 27.0 * count - 70.0) * (count + 1.0) * (count + 3.0)
    beta2 = numerator / ((count - 2.0) * (count + 5.0) * (count + 7.0) * (count + 9.0))
    w2 = -1.0 + math.sqrt(2.0 * (beta2 - 1.0))
    scaled = y / math.sqrt(2.0 / (w2 - 1.0))
    z = math.asinh(scaled) / math.sqrt(0.5 * math.log(w2))
    return 2.0 * normal_cdf(-abs(z))


def is_skewed(values: Sequence[float], level: float = SKEWNESS_LEVEL) -> bool:
    """Whether the values are skewed, and not merely by their most extreme one.

    A single far trial makes any sample look skewed; over symmetric heavy tails the bootstrap would
    then be chosen where it is worst.
    """
    whole = skewness_p_value(values)
    if whole is None or whole > 2.0 * level:
        return False
    mean = mean_of(values)
    extreme = max(range(len(values)), key=lambda index: abs(values[index] - mean))
    rest = [value for index, value in enumerate(values) if index != extreme]
    without = skewness_p_value(rest)
    same_side = ((skewness_of(values) or 0.0) > 0.0) == ((skewness_of(rest) or 0.0) > 0.0)
    return without is not None and without <= 2.0 * level and same_side


def choose_interval(
    values: Sequence[float], confidence: float = 0.95, effective_count: float | None = None
) -> Choice:
    """Interval of the mean: Student unless many trials show that the mean's error is skewed.

    From 20 trials on, clearly skewed and independent trials get the BCa bootstrap with levels
    expanded for the sample size; under 20 the simulation study finds the bootstrap worse.
    """
    student = student_interval(values, confidence, effective_count)
    if student.low is None:
        return Choice(student, student.reason or "")
    if len(values) < BOOTSTRAP_FROM or not is_skewed(values):
        return Choice(student, "Student's interval of the mean")
    widening = 1.0 if effective_count is None else math.sqrt(len(values) / effective_count)
    return _bootstrap(values, confidence, widening)


def _bootstrap(values: Sequence[float], confidence: float, widening: float) -> Choice:
    from harness.statistics.bootstrap import bca_limits

    limits = bca_limits(values, confidence, expand=True)
    method = "BCa bootstrap"
    if limits.low is None or limits.high is None:
        return Choice(no_interval(limits.estimate, confidence, method, limits.reason or ""), method)
    mean = limits.estimate
    low = mean - widening * (mean - limits.low)
    high = mean + widening * (limits.high - mean)
    why = "the trials are skewed: BCa bootstrap interval of the mean"
    return Choice(Interval(mean, low, high, confidence, method), why)
