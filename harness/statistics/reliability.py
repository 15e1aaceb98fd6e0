"""Stability statements: what verified passes and failures say about an error rate.

All of them rest on one assumption, which the statement repeats: errors come independently and at
a constant rate under this load (a Poisson process), and every one is noticed by its check.
Machine-hours are hours of the whole machine under the load; hours of several cores are never
added up, because one weak core is enough to make the machine wrong.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from harness.statistics.quantiles import beta_quantile, chi2_quantile
from harness.statistics.validation import require_confidence, require_positive

ASSUMPTION = (
    "assumes that errors come independently, at a constant rate under this load,"
    " and that each one fails a check"
)


@dataclass(frozen=True)
class RateBounds:
    """Bounds on a rate of errors per hour; `estimate` is None without an hour of load.

    `lower` is 0 when nothing failed: no failure shows no rate above 0.
    """

    failures: int
    hours: float
    confidence: float
    estimate: float | None
    lower: float | None
    upper: float | None
    reason: str | None = None


@dataclass(frozen=True)
class ShareBounds:
    """Bounds on a probability of success per pass, from passes and trials."""

    successes: int
    trials: int
    confidence: float
    estimate: float | None
    lower: float | None
    upper: float | None
    reason: str | None = None


@dataclass(frozen=True)
class StabilityStatement:
    """What one load demonstrated, in numbers and in one plain sentence."""

    load: str
    rate: RateBounds
    success: ShareBounds
    weakest_core: str | None
    cores: tuple[tuple[str, RateBounds], ...]
    sentence: str
    assumption: str = ASSUMPTION


def rate_upper_bound(failures: int, hours: float, confidence: float = 0.95) -> float:
    """One-sided upper bound on the rate: chi2(C; 2 (r + 1)) / (2 T), time-terminated.

    NIST/SEMATECH e-Handbook 8.4.5.1; Epstein and Sobel (1953), J. Amer. Statist. Assoc.
    48:486-502. Without failure it is -ln(1 - C) / T.
    """
    _require_count(failures, "failures")
    require_positive(hours, "hours")
    require_confidence(confidence)
    return chi2_quantile(confidence, 2.0 * (failures + 1)) / (2.0 * hours)


def rate_lower_bound(failures: int, hours: float, confidence: float = 0.95) -> float:
    """One-sided lower bound on the rate: chi2(1 - C; 2 r) / (2 T); 0 without failure."""
    _require_count(failures, "failures")
    require_positive(hours, "hours")
    require_confidence(confidence)
    return chi2_quantile(1.0 - confidence, 2.0 * failures) / (2.0 * hours) if failures else 0.0


def error_rate(
    failures: int, hours: float, confidence: float = 0.95, *, two_sided: bool = False
) -> RateBounds:
    """Rate of errors per machine-hour with bounds, one-sided unless asked otherwise."""
    _require_count(failures, "failures")
    if hours <= 0.0:
        return RateBounds(failures, hours, confidence, None, None, None, "no hour under load")
    level = 0.5 + confidence / 2.0 if two_sided else confidence
    return RateBounds(
        failures,
        hours,
        confidence,
        failures / hours,
        rate_lower_bound(failures, hours, level),
        rate_upper_bound(failures, hours, level),
    )


def hours_to_demonstrate(
    rate_per_hour: float, confidence: float = 0.95, failures: int = 0
) -> float:
    """Hours that bound the rate at `rate_per_hour` if no more than `failures` occur.

    chi2(C; 2 (r + 1)) / (2 rate): the test-length guide of NIST/SEMATECH e-Handbook 8.3.1.1. One
    error per 100 hours with 95 % confidence takes 300 hours without error.
    """
    _require_count(failures, "failures")
    require_positive(rate_per_hour, "rate_per_hour")
    require_confidence(confidence)
    return chi2_quantile(confidence, 2.0 * (failures + 1)) / (2.0 * rate_per_hour)


def clopper_pearson(
    successes: int, trials: int, confidence: float = 0.95, *, two_sided: bool = True
) -> ShareBounds:
    """Exact binomial bounds: Clopper and Pearson (1934), Biometrika 26:404-413.

    One-sided bounds have `confidence` each on their own.
    """
    _require_count(successes, "successes")
    require_confidence(confidence)
    if trials < successes:
        raise ValueError(f"successes={successes} of trials={trials}: more successes than trials")
    if trials == 0:
        return ShareBounds(0, 0, confidence, None, None, None, "no trial")
    tail = (1.0 - confidence) / 2.0 if two_sided else 1.0 - confidence
    failures = trials - successes
    lower = beta_quantile(tail, successes, failures + 1) if successes else 0.0
    upper = beta_quantile(1.0 - tail, successes + 1, failures) if failures else 1.0
    return ShareBounds(successes, trials, confidence, successes / trials, lower, upper)


def demonstrated_success(passes: int, confidence: float = 0.95, *, prior: bool = False) -> float:
    """Success rate per pass shown by `passes` passes without failure: the success run.

    Classical (binomial) form (1 - C)^(1/n), which equals Clopper-Pearson; with `prior` the form
    with a uniform prior, exponent 1/(n + 1).
    """
    _require_count(passes, "passes")
    require_confidence(confidence)
    count = passes + 1 if prior else passes
    return 0.0 if count == 0 else (1.0 - confidence) ** (1.0 / count)


def passes_to_demonstrate(success: float, confidence: float = 0.95) -> int:
    """Passes without failure that demonstrate a success rate (classical form)."""
    require_confidence(success, "success")
    require_confidence(confidence)
    return math.ceil(math.log1p(-confidence) / math.log(success) - 1e-9)


def stability_statement(
    load: str,
    machine_hours: float,
    passes: int,
    failures: int,
    confidence: float = 0.95,
    cores: Mapping[str, tuple[float, int]] | None = None,
) -> StabilityStatement:
    """State what one load demonstrated.

    `passes` passed their check and `failures` failed it. `cores`: hours under the load and
    failures of each core on its own.
    """
    rate = error_rate(failures, machine_hours, confidence)
    success = clopper_pearson(passes, passes + failures, confidence, two_sided=False)
    per_core = tuple(
        (name, error_rate(count, hours, confidence))
        for name, (hours, count) in (cores or {}).items()
    )
    weakest = weakest_core(per_core)
    sentence = _sentence(load, rate, weakest)
    return StabilityStatement(load, rate, success, weakest, per_core, sentence)


def weakest_core(cores: tuple[tuple[str, RateBounds], ...]) -> str | None:
    """The core with the highest rate of errors; without any error the one shown least."""
    known = [
        (bounds.estimate, bounds.upper, name)
        for name, bounds in cores
        if bounds.estimate is not None and bounds.upper is not None
    ]
    return max(known)[2] if known else None


def _sentence(load: str, rate: RateBounds, weakest: str | None) -> str:
    if rate.upper is None:
        return f"{load}: nothing is shown, the load did not run"
    seen = "no error" if rate.failures == 0 else _counted(rate.failures)
    certainty = f"{100 * rate.confidence:g} % confidence"
    shown = f"at most one error per {1.0 / rate.upper:.3g} machine-hours"
    core = "" if weakest is None or rate.failures == 0 else f"; weakest core: {weakest}"
    return f"{load}: {seen} in {rate.hours:.3g} hours shows {shown} with {certainty}{core}"


def _counted(failures: int) -> str:
    return "1 error" if failures == 1 else f"{failures} errors"


def _require_count(value: int, name: str) -> None:
    if value < 0:
        raise ValueError(f"{name}={value}: must be 0 or more")
