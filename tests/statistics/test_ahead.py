"""What limits are still to be found, against simulation; for statsmodels see test_oracles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from harness.statistics.ahead import chance_clear
from harness.statistics.sides import Term

CASES: list[tuple[float, list[Term]]] = [
    (3.0, [(0.4, 2.0), (0.4, 2.0)]),
    (3.0, [(0.7, None), (0.2, 2.0), (0.1, 1.0)]),
    (4.0, [(0.3, 3.0), (0.9, 5.0), (0.2, 12.0)]),
]


@pytest.mark.parametrize(("shift", "terms"), CASES)
def test_the_chance_is_what_drawing_estimates_gives(shift: float, terms: list[Term]) -> None:
    """Degrees of freedom by Welch and Satterthwaite from what is drawn, as a comparison does."""
    generator = np.random.default_rng(1)
    found, spent = np.zeros(400_000), np.zeros(400_000)
    for variance, degrees in terms:
        if degrees is None:
            found += variance
            continue
        drawn = variance * generator.chisquare(degrees, len(found)) / degrees
        found += drawn
        spent += drawn**2 / degrees
    truth = math.fsum(variance for variance, _ in terms)
    estimates = shift + math.sqrt(truth) * generator.standard_normal(len(found))
    critical = stats.t.ppf(0.975, found**2 / spent)
    drawn_share = float(np.mean(estimates > critical * np.sqrt(found)))
    assert chance_clear(shift, truth, terms, 0.025) == pytest.approx(drawn_share, abs=0.003)


def test_known_variances_leave_a_normal_distribution() -> None:
    found = chance_clear(3.0, 1.0, [(0.5, None), (0.5, math.inf)], 0.025)
    assert found == pytest.approx(stats.norm.cdf(3.0 - stats.norm.ppf(0.975)))


def test_one_estimated_variance_gives_the_noncentral_t() -> None:
    for degrees in (1.0, 2.0, 5.0, 40.0):
        expected = stats.nct.sf(stats.t.ppf(0.95, degrees), degrees, 4.0)
        assert chance_clear(4.0, 1.0, [(1.0, degrees)], 0.05) == pytest.approx(expected, abs=2e-4)


def test_what_is_believed_instead_is_weighed_by_its_chance() -> None:
    both = chance_clear(3.0, 1.0, [(0.5, 4.0)], 0.025, [(0.7, 0.5), (0.2, 3.0)])
    first, second = (
        chance_clear(3.0, 1.0, [(0.5, 4.0)], 0.025, [(1.0, variance)]) for variance in (0.5, 3.0)
    )
    assert both == pytest.approx(0.7 * first + 0.2 * second)
    assert second < first


def test_few_trials_promise_less_than_their_expected_degrees_of_freedom_would() -> None:
    """Three trials a side, and a spread between boots that is taken for known."""
    inside, between = 0.2**2 / 3.0, 2.0 * 0.1**2
    truth = 2.0 * inside + between
    exact = chance_clear(0.995, truth, [(between, None), (inside, 2.0), (inside, 2.0)], 0.025)
    degrees = truth**2 / (2.0 * inside**2 / 2.0)
    shift = 0.995 / math.sqrt(truth)
    approximate = stats.nct.sf(stats.t.ppf(0.975, degrees), degrees, shift)
    assert approximate > exact + 0.005
