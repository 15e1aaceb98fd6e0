"""Serial dependence: bias correction, pooling, and what it costs."""

from __future__ import annotations

import numpy as np
import pytest

from harness.statistics.dependence import (
    ALONE,
    DependencePrior,
    effective_count,
    expected_used,
    lag1_variance,
    pool_dependence,
    serial_dependence,
    variance_inflation,
)
from harness.statistics.summary import lag1_of


def autoregressive(
    coefficient: float, series: int, trials: int, seed: int = 1
) -> list[list[float]]:
    generator = np.random.default_rng(seed)
    values = generator.standard_normal((series, trials))
    for trial in range(1, trials):
        values[:, trial] *= np.sqrt(1.0 - coefficient**2)
        values[:, trial] += coefficient * values[:, trial - 1]
    rows: list[list[float]] = (100.0 + values).tolist()
    return rows


def test_independent_trials_are_worth_their_number() -> None:
    assert effective_count(20, 0.0) == 20.0
    assert variance_inflation(20, 0.0) == 1.0


def test_the_inflation_is_the_variance_of_a_mean_of_correlated_values() -> None:
    lags = np.abs(np.subtract.outer(np.arange(12), np.arange(12)))
    exact = (0.6**lags).sum() / 12
    assert variance_inflation(12, 0.6) == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize("count", [5, 8, 20])
def test_the_variance_of_the_coefficient_over_independent_values_is_morans(count: int) -> None:
    found = [lag1_of(row) for row in autoregressive(0.0, 20000, count)]
    observed = np.var([value for value in found if value is not None])
    assert observed == pytest.approx(lag1_variance(count), rel=0.04)


@pytest.mark.parametrize(("truth", "bias_left"), [(0.0, 0.035), (0.3, 0.07)])
def test_pooling_many_short_series_finds_the_coefficient_that_each_alone_hides(
    truth: float, bias_left: float
) -> None:
    found = pool_dependence(autoregressive(truth, 2000, 8))
    assert found.series == 2000
    assert found.coefficient == pytest.approx(truth, abs=bias_left)
    assert found.used == pytest.approx(truth, abs=bias_left)


def test_one_short_series_is_hardly_believed() -> None:
    climbing = [1.0, 2.0, 3.0, 4.0, 5.0]
    found = pool_dependence([climbing])
    assert found.coefficient is not None and found.coefficient > 1.0
    assert 0.0 < found.used < found.coefficient / 3.0


def test_a_series_alone_is_expected_to_depend_a_little_and_one_of_several_is_not() -> None:
    alternating = [1.0, 2.0, 1.5, 1.9, 1.1, 1.8, 1.2, 1.7]
    assert pool_dependence([alternating]).used == pool_dependence([alternating], ALONE).used
    pair = [alternating, alternating]
    assert pool_dependence(pair).used == pool_dependence(pair, DependencePrior()).used
    level = [[1.0, 1.0, 1.0, 1.0]]
    assert (pool_dependence(level).used, pool_dependence(level * 2).used) == (ALONE.mean, 0.0)
    assert pool_dependence([[1.0, 2.0]]).used == 0.0  # two trials are still worth two


def test_negative_dependence_widens_nothing_and_narrows_nothing() -> None:
    found = serial_dependence([1.0, -1.0] * 10)
    assert found.lag1 is not None and found.lag1 < -0.9
    assert found.used == 0.0
    assert found.effective_count == 20.0


def test_series_without_spread_or_with_too_few_trials_take_no_part() -> None:
    found = pool_dependence([[1.0, 1.0, 1.0, 1.0], [1.0, 2.0]])
    assert found.coefficient is None
    assert found.reason == "no series of 4 or more differing trials"
    assert found.used == 0.0
    assert serial_dependence([]).effective_count == 0.0
    assert serial_dependence([1.0, 2.0]).reason == "fewer than 4 trials"
    assert serial_dependence([3.0] * 5).reason == "zero spread"


def test_without_data_the_prior_speaks() -> None:
    assert pool_dependence([], DependencePrior(mean=0.2, sd=0.1)).used == 0.2


def test_a_measured_prior_overrules_a_short_series() -> None:
    found = pool_dependence([[1.0, 2.0, 3.0, 4.0, 5.0]], DependencePrior(mean=0.0, sd=0.01))
    assert found.used < 0.01


def test_positive_dependence_is_significant_in_a_long_series() -> None:
    row = autoregressive(0.7, 1, 60)[0]
    found = serial_dependence(row)
    assert found.p_value is not None and found.p_value < 1e-4
    assert found.effective_count < 30


def test_planning_expects_the_widening_that_independent_trials_get() -> None:
    runs = [pool_dependence(autoregressive(0.0, 4, 8, seed)).used for seed in range(1500)]
    assert np.mean(runs) == pytest.approx(expected_used(8, 4), rel=0.15)
    assert expected_used(3, 4) == 0.0
