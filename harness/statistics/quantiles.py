"""Quantiles and tail areas of the few distributions the other modules need.

Only `scipy.special` is used, imported at the first call: it loads in a fraction of the time of
`scipy.stats` and holds the same functions. Every function is scalar in, scalar out.
"""

from __future__ import annotations

import math


def normal_quantile(probability: float) -> float:
    """The value below which a standard normal variate falls with `probability`."""
    from scipy.special import ndtri

    return float(ndtri(probability))


def normal_cdf(value: float) -> float:
    """Probability that a standard normal variate is at most `value`."""
    from scipy.special import ndtr

    return float(ndtr(value))


def student_quantile(probability: float, degrees: float) -> float:
    """Quantile of Student's t with `degrees` of freedom (need not be whole)."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees, probability))


def student_cdf(value: float, degrees: float) -> float:
    """Probability that Student's t with `degrees` of freedom is at most `value`."""
    from scipy.special import stdtr

    return float(stdtr(degrees, value))


def student_two_sided(confidence: float, degrees: float) -> float:
    """The t factor of a two-sided interval at `confidence` (0.95 gives t_0.975)."""
    return student_quantile(0.5 + confidence / 2.0, degrees)


def chi2_quantile(probability: float, degrees: float) -> float:
    """Quantile of chi-square with `degrees` of freedom."""
    from scipy.special import gammaincinv

    return 2.0 * float(gammaincinv(degrees / 2.0, probability))


def beta_quantile(probability: float, first: float, second: float) -> float:
    """Quantile of the beta distribution with shapes `first` and `second`."""
    from scipy.special import betaincinv

    return float(betaincinv(first, second, probability))


def f_tail(value: float, numerator: float, denominator: float) -> float:
    """Probability that F with these degrees of freedom exceeds `value`.

    With infinitely many below, F is chi-square over its degrees of freedom.
    """
    from scipy.special import fdtrc, gammaincc

    if math.isinf(denominator):
        return float(gammaincc(numerator / 2.0, numerator * value / 2.0))
    return float(fdtrc(numerator, denominator, value))


def poisson_cdf(count: int, mean: float) -> float:
    """Probability of at most `count` events where `mean` are expected."""
    from scipy.special import pdtr

    return float(pdtr(count, mean))
