"""Serial dependence: how far a trial resembles the one before it, and what that costs.

Trials that depend on each other carry less information than their number says, so an interval that
ignores it is too narrow. A handful of trials cannot show their own dependence; all workloads of a
run, measured in interleaved rounds on one machine, can. The estimate is therefore pooled over the
run and shrunk towards what rounds in random order leave.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.quantiles import normal_cdf
from harness.statistics.summary import lag1_of
from harness.statistics.validation import require_finite

#: Fewest trials whose lag-1 coefficient can be corrected for bias.
FEWEST_TRIALS = 4
#: No series is taken to depend more strongly than this: the sum behind the effective count would
#: be set by the end of the series and not by data.
STRONGEST = 0.85


@dataclass(frozen=True)
class DependencePrior:
    """What is assumed of the lag-1 correlation before a run shows it.

    Trials of one workload in rounds of random order lie far apart, so none is expected. As only
    positive dependence widens an interval, an estimate that scatters about 0 would still widen
    those of independent trials on average: a mean a little below 0 offsets that. How far a run is
    believed that shows some is set by `sd`: a smaller one misses real dependence, a larger one
    widens the intervals of independent trials. Both were chosen in the simulation study for runs
    of ten workloads. From earlier runs of the same profile on the machine both can be given as
    measured.
    """

    mean: float = -0.1
    sd: float = 0.4


#: For a single series: trials of a workload measured alone follow one another at once, so a little
#: dependence is expected and what the series shows is believed sooner. Chosen in the simulation
#: study as the least that keeps an autoregression of 0.2 covered in 93.5 %; the price is that of 5
#: to 15 independent trials with long tails up to 97.1 % of the intervals hold the mean.
ALONE = DependencePrior(mean=0.05, sd=0.47)


@dataclass(frozen=True)
class PooledDependence:
    """Lag-1 correlation over several series of one run.

    `coefficient` is corrected for the bias of short series; `used` is what intervals are widened
    by: the coefficient shrunk towards the prior by its own standard error, never below 0.
    """

    coefficient: float | None
    standard_error: float | None
    used: float
    series: int
    reason: str | None


@dataclass(frozen=True)
class SerialDependence:
    """How far the trials of one series depend on each other.

    `lag1` and the bias-corrected `coefficient` describe this series alone; `p_value` is one-sided
    for positive dependence; `used` is the correlation that `effective_count` (what the trials are
    worth as independent ones) was computed with.
    """

    lag1: float | None
    coefficient: float | None
    p_value: float | None
    used: float
    effective_count: float
    reason: str | None


def lag1_variance(count: int) -> float:
    """Variance of r1 over independent values: Moran (1948), Biometrika 35:255-260."""
    return (count - 2) ** 2 / (count**2 * (count - 1.0))


def corrected_coefficient(lag1: float, count: int) -> float:
    """Undo the bias of short series: E(r1) = rho - (1 + 3 rho) / n to first order.

    Marriott and Pope (1954), Biometrika 41:390-402; Kendall (1954), ibid. 403-404. Needs
    `count` above 3; the result may exceed 1, which pooling averages out.
    """
    return (count * lag1 + 1.0) / (count - 3.0)


def pool_dependence(
    series: Sequence[Sequence[float]], prior: DependencePrior | None = None
) -> PooledDependence:
    """Estimate one lag-1 correlation from several series of values in the order measured.

    Coefficients are weighted by the inverse of their variance; shrinkage is the posterior mean
    under normal prior and estimate (Gelman et al. 2013, Bayesian Data Analysis, section 2.5).
    Without a `prior` a single series that can show its own gets `ALONE`, else `DependencePrior()`.
    """
    alone = len(series) == 1 and len(series[0]) >= FEWEST_TRIALS
    prior = prior or (ALONE if alone else DependencePrior())
    weighted, weights, number = 0.0, 0.0, 0
    for values in series:
        require_finite(values)
        count = len(values)
        lag1 = lag1_of(values) if count >= FEWEST_TRIALS else None
        if lag1 is None:
            continue
        weight = 1.0 / (lag1_variance(count) * (count / (count - 3.0)) ** 2)
        weighted += weight * corrected_coefficient(lag1, count)
        weights += weight
        number += 1
    if not number:
        reason = f"no series of {FEWEST_TRIALS} or more differing trials"
        return PooledDependence(None, None, _bounded(prior.mean), 0, reason)
    coefficient, variance = weighted / weights, 1.0 / weights
    trust = prior.sd**2 / (prior.sd**2 + variance)
    used = _bounded(prior.mean + trust * (coefficient - prior.mean))
    return PooledDependence(coefficient, math.sqrt(variance), used, number, None)


def expected_used(trials: int, series: int, prior: DependencePrior | None = None) -> float:
    """The correlation that independent trials will on average be widened by, for planning.

    The shrunk estimate from `series` series of `trials` trials each is taken for normal, with
    mean m and standard deviation s: its positive part is m Phi(m / s) + s phi(m / s) on average.
    """
    prior = prior or DependencePrior()
    if trials < FEWEST_TRIALS or series < 1:
        return _bounded(prior.mean)
    variance = lag1_variance(trials) * (trials / (trials - 3.0)) ** 2 / series
    trust = prior.sd**2 / (prior.sd**2 + variance)
    mean, sd = prior.mean * (1.0 - trust), trust * math.sqrt(variance)
    if sd == 0.0:
        return _bounded(mean)
    density = math.exp(-((mean / sd) ** 2) / 2.0) / math.sqrt(2.0 * math.pi)
    return _bounded(mean * normal_cdf(mean / sd) + sd * density)


def _bounded(coefficient: float) -> float:
    return min(STRONGEST, max(0.0, coefficient))


def serial_dependence(
    values: Sequence[float],
    pooled: PooledDependence | None = None,
    prior: DependencePrior | None = None,
) -> SerialDependence:
    """Describe one series; `pooled` is the estimate over its whole run, else it stands alone."""
    pooled = pooled or pool_dependence([values], prior)
    count = len(values)
    effective = effective_count(count, pooled.used) if count else 0.0
    lag1 = lag1_of(values) if count >= FEWEST_TRIALS else None
    if lag1 is None:
        short = count < FEWEST_TRIALS
        reason = f"fewer than {FEWEST_TRIALS} trials" if short else "zero spread"
        return SerialDependence(None, None, None, pooled.used, effective, reason)
    z = (lag1 + 1.0 / count) / math.sqrt(lag1_variance(count))
    coefficient = corrected_coefficient(lag1, count)
    return SerialDependence(lag1, coefficient, normal_cdf(-z), pooled.used, effective, None)


def effective_count(count: int, coefficient: float) -> float:
    """Independent trials that `count` trials with lag-1 correlation `coefficient` are worth.

    n / (1 + 2 sum (1 - k/n) rho^k) for a first-order autoregression: Bayley and Hammersley (1946),
    Supplement to the Journal of the Royal Statistical Society 8:184-197.
    """
    return count / variance_inflation(count, coefficient)


def variance_inflation(count: int, coefficient: float) -> float:
    """How much serial dependence multiplies the variance of a mean of `count` trials."""
    if coefficient == 0.0:
        return 1.0
    return 1.0 + 2.0 * math.fsum((1.0 - lag / count) * coefficient**lag for lag in range(1, count))
