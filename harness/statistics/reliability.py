"""Stability statements: what verified passes and failures say about an error rate.

All of them rest on one assumption, which the statement repeats: errors come independently and at
a constant rate under this load (a Poisson process), and every one is noticed by its check.
Machine-hours are hours of the whole machine under the load; hours and passes of several cores are
never added up, because one weak core is enough to make the machine wrong.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
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
class CoreExposure:
    """One core under one load: hours in verified passes, those passes, and failures."""

    hours: float
    passes: int
    failures: int


@dataclass(frozen=True)
class StabilityStatement:
    """What one load demonstrated.

    `rate` is the machine's, `cores` are those of each core by itself; `success` is that of a pass
    on the core that has shown the least, `weakest_core` the one that failed most often.
    """

    load: str
    rate: RateBounds
    success: ShareBounds
    weakest_core: str | None
    cores: tuple[tuple[str, RateBounds], ...]
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
    failures: int,
    hours: float,
    confidence: float = 0.95,
    *,
    elapsed_hours: float | None = None,
    two_sided: bool = False,
) -> RateBounds:
    """Rate of errors per machine-hour with bounds, one-sided unless asked otherwise.

    `hours` are those that every part of the machine has seen; where some part has seen more,
    `elapsed_hours` are the most, and the estimate and the lower bound are taken from them. The
    upper bound is that of a test ended by the clock, which also holds for one ended by a failure.
    """
    _require_count(failures, "failures")
    most = hours if elapsed_hours is None else max(hours, elapsed_hours)
    if hours <= 0.0:
        reason = "no verified pass, so no time under load"
        return RateBounds(failures, hours, confidence, None, None, None, reason)
    level = 0.5 + confidence / 2.0 if two_sided else confidence
    return RateBounds(
        failures,
        hours,
        confidence,
        failures / most,
        rate_lower_bound(failures, most, level),
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


def passes_to_demonstrate(success: float, confidence: float = 0.95) -> int:
    """Passes without failure that demonstrate a success rate: the inverse of the success run.

    Without failure Clopper and Pearson's lower bound is (1 - C)^(1/n).
    """
    require_confidence(success, "success")
    require_confidence(confidence)
    return math.ceil(math.log1p(-confidence) / math.log(success) - 1e-9)


def stability_statement(
    load: str,
    machine_hours: float,
    elapsed_hours: float,
    failures: int,
    cores: Mapping[str, CoreExposure],
    confidence: float = 0.95,
) -> StabilityStatement:
    """State what one load demonstrated; see `error_rate` for the two times.

    `failures` are those of the load, each counted once; one without a place counts on every core.
    """
    per_core = tuple(
        (name, error_rate(core.failures, core.hours, confidence)) for name, core in cores.items()
    )
    return StabilityStatement(
        load=load,
        rate=error_rate(failures, machine_hours, confidence, elapsed_hours=elapsed_hours),
        success=_least_success(cores, confidence),
        weakest_core=weakest_core(per_core),
        cores=per_core,
    )


def _least_success(cores: Mapping[str, CoreExposure], confidence: float) -> ShareBounds:
    """One-sided bounds of the core whose passes show the least."""
    bounds = [
        clopper_pearson(core.passes, core.passes + core.failures, confidence, two_sided=False)
        for core in cores.values()
    ]
    return min(
        bounds,
        key=lambda item: -1.0 if item.lower is None else item.lower,
        default=clopper_pearson(0, 0, confidence),
    )


def weakest_core(cores: Sequence[tuple[str, RateBounds]]) -> str | None:
    """The core with the highest rate of errors; without any error the one shown least.

    One that failed before it had verified anything is weaker than any with a rate.
    """
    known = [
        (_or_infinite(bounds.estimate), _or_infinite(bounds.upper), name)
        for name, bounds in cores
        if bounds.failures or bounds.upper is not None
    ]
    return max(known)[2] if known else None


def _or_infinite(value: float | None) -> float:
    return math.inf if value is None else value


def _require_count(value: int, name: str) -> None:
    if value < 0:
        raise ValueError(f"{name}={value}: must be 0 or more")
