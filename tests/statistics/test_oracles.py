"""The same numbers as scipy and statsmodels on 1,000 random data sets, to 1e-9 relative.

The data are invented: sizes, shapes, levels and ties vary from set to set, all from one seed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW, ttost_ind
from statsmodels.tsa.stattools import acf

from harness.statistics.ahead import chance_clear
from harness.statistics.bootstrap import bca_limits
from harness.statistics.choice import skewness_of, skewness_p_value
from harness.statistics.decision import holm_levels
from harness.statistics.intervals import median_interval, median_rank, student_interval
from harness.statistics.levels import nested_anova
from harness.statistics.outliers import generalized_esd
from harness.statistics.quantiles import (
    chi2_quantile,
    poisson_cdf,
    student_quantile,
)
from harness.statistics.ratio import RatioInterval, ratio_from_terms
from harness.statistics.reliability import clopper_pearson, error_rate
from harness.statistics.sides import error_terms, make_side
from harness.statistics.summary import cv_percent_of, lag1_of, mean_of, median_of, sd_of
from harness.statistics.trend import mann_kendall, theil_sen

SETS = 1000
CLOSE = {"rel": 1e-9, "abs": 1e-13}


@dataclass(frozen=True)
class DataSet:
    values: list[float]
    other: list[float]
    confidence: float
    groups: list[list[float]]


def draw() -> Iterator[DataSet]:
    generator = np.random.default_rng(20240601)
    for number in range(SETS):
        count, other = generator.integers(4, 40, size=2)
        level, spread = 10.0 ** generator.uniform(-3, 6), 10.0 ** generator.uniform(-2.5, -0.7)
        noise = [
            generator.standard_normal(count),
            generator.standard_t(3, count),
            generator.exponential(size=count),
            np.round(generator.standard_normal(count), 1),
        ][number % 4]
        values = level * np.exp(spread * noise)
        second = level * np.exp(
            spread * generator.uniform(0.3, 3.0) * generator.standard_normal(other)
        )
        sizes = generator.integers(2, 8, size=generator.integers(2, 6))
        groups = [(level * np.exp(spread * generator.standard_normal(n))).tolist() for n in sizes]
        confidence = float(generator.choice([0.8, 0.9, 0.95, 0.99]))
        yield DataSet(values.tolist(), second.tolist(), confidence, groups)


@pytest.fixture(scope="module")
def data_sets() -> list[DataSet]:
    return list(draw())


def close(value: float) -> object:
    return pytest.approx(value, **CLOSE)


def test_summaries_equal_numpy_and_the_autocorrelation_equals_statsmodels(
    data_sets: list[DataSet],
) -> None:
    for data in data_sets:
        mean, sd = mean_of(data.values), sd_of(data.values)
        assert mean == close(np.mean(data.values))
        assert sd == close(np.std(data.values, ddof=1))
        assert median_of(data.values) == close(np.median(data.values))
        assert cv_percent_of(mean, sd) == close(100.0 * stats.variation(data.values, ddof=1))
        assert lag1_of(data.values) == pytest.approx(
            acf(np.array(data.values), nlags=1)[1], rel=1e-9, abs=1e-9
        )


def test_student_intervals_equal_scipy_and_statsmodels(data_sets: list[DataSet]) -> None:
    for data in data_sets:
        found = student_interval(data.values, data.confidence)
        expected = stats.t.interval(
            data.confidence, len(data.values) - 1, np.mean(data.values), stats.sem(data.values)
        )
        assert (found.low, found.high) == close(expected)
        other = DescrStatsW(np.array(data.values)).tconfint_mean(1.0 - data.confidence)
        assert (found.low, found.high) == pytest.approx(other, rel=1e-9)


def ratio_within_one_boot(data: DataSet, confidence: float) -> RatioInterval:
    """What `compare` computes of independent trials of one boot a side."""
    before, after = make_side([data.values], "higher"), make_side([data.other], "higher")
    assert before is not None and after is not None
    errors = error_terms(before, after, None, 0.0)
    return ratio_from_terms(after.mean - before.mean, errors.terms, confidence, errors.method)


def test_ratio_limits_equal_scipys_welch_interval_on_logarithms(data_sets: list[DataSet]) -> None:
    for data in data_sets:
        found = ratio_within_one_boot(data, data.confidence)
        welch = stats.ttest_ind(np.log(data.other), np.log(data.values), equal_var=False)
        limits = welch.confidence_interval(data.confidence)
        assert found.degrees == close(welch.df)
        assert found.low == close(math.exp(limits.low))
        assert found.high == close(math.exp(limits.high))


def test_trends_equal_scipys_kendall_and_theil_slopes(data_sets: list[DataSet]) -> None:
    for data in data_sets:
        found = mann_kendall(data.values)
        order = np.arange(len(data.values))
        tied = len(set(data.values)) < len(data.values)
        kendall = stats.kendalltau(order, data.values, method="asymptotic" if tied else "exact")
        assert found.tau == close(kendall.statistic)
        if found.exact:
            assert found.p_value == pytest.approx(kendall.pvalue, rel=1e-9)
        slopes = stats.theilslopes(data.values, order)
        assert theil_sen(data.values).slope == pytest.approx(slopes.slope, rel=1e-9, abs=1e-300)


def test_analysis_of_variance_equals_scipys(data_sets: list[DataSet]) -> None:
    for data in data_sets:
        found = nested_anova(data.groups)
        expected = stats.f_oneway(*(np.array(group) for group in data.groups))
        assert found.f == pytest.approx(expected.statistic, rel=1e-9)
        assert found.p_value == pytest.approx(expected.pvalue, rel=1e-9, abs=1e-12)


def test_skewness_and_its_test_equal_scipys(data_sets: list[DataSet]) -> None:
    for data in data_sets:
        assert skewness_of(data.values) == pytest.approx(
            stats.skew(data.values), rel=1e-9, abs=1e-9
        )
        if len(data.values) >= 8:
            expected = stats.skewtest(data.values).pvalue
            assert skewness_p_value(data.values) == pytest.approx(expected, rel=1e-9)


def test_the_first_step_of_the_outlier_test_is_grubbs(data_sets: list[DataSet]) -> None:
    for data in data_sets:
        count = len(data.values)
        found = generalized_esd(data.values, 1)
        t2 = stats.t.ppf(1.0 - 0.05 / (2 * count), count - 2) ** 2
        grubbs = (count - 1) / math.sqrt(count) * math.sqrt(t2 / (count - 2 + t2))
        assert found.critical_values[0] == close(grubbs)
        scores = np.abs(stats.zscore(data.values, ddof=1))
        assert found.statistics[0] == pytest.approx(scores.max(), rel=1e-9)


def test_binomial_and_exponential_bounds_equal_statsmodels_and_scipy() -> None:
    generator = np.random.default_rng(7)
    for _ in range(SETS):
        trials = int(generator.integers(1, 400))
        successes = int(generator.integers(0, trials + 1))
        confidence = float(generator.uniform(0.5, 0.999))
        found = clopper_pearson(successes, trials, confidence)
        expected = proportion_confint(successes, trials, 1.0 - confidence, method="beta")
        assert (found.lower, found.upper) == close(expected)
        hours = float(generator.uniform(0.1, 1e4))
        bounds = error_rate(successes, hours, confidence)
        upper = stats.gamma.ppf(confidence, successes + 1) / hours
        assert bounds.upper == close(upper)


def test_quantiles_equal_scipy_stats() -> None:
    generator = np.random.default_rng(8)
    for _ in range(SETS):
        probability = float(generator.uniform(0.001, 0.999))
        degrees = float(generator.uniform(1.0, 300.0))
        assert student_quantile(probability, degrees) == close(stats.t.ppf(probability, degrees))
        assert chi2_quantile(probability, degrees) == close(stats.chi2.ppf(probability, degrees))
        count, mean = int(generator.integers(0, 60)), float(generator.uniform(0.1, 60.0))
        assert poisson_cdf(count, mean) == close(stats.poisson.cdf(count, mean))


def test_the_power_of_two_samples_equals_statsmodels() -> None:
    generator = np.random.default_rng(9)
    for _ in range(200):
        effect, count = float(generator.uniform(0.1, 3.0)), int(generator.integers(3, 60))
        pooled = (2.0 / count, 2.0 * (count - 1))
        power = chance_clear(effect, 2.0 / count, [pooled], 0.025)
        expected = TTestIndPower().power(effect, count, 0.025, alternative="larger")
        if math.isnan(expected):  # its series gives up far from the middle
            assert power == pytest.approx(1.0, abs=1e-9)
            continue
        assert power == pytest.approx(expected, abs=1e-4)


def test_equivalence_by_interval_agrees_with_statsmodels_two_one_sided_tests(
    data_sets: list[DataSet],
) -> None:
    agreed = 0
    for data in data_sets:
        first, second = np.log(data.values), np.log(data.other)
        error = math.hypot(stats.sem(first), stats.sem(second))
        margin = abs(float(np.mean(second) - np.mean(first))) + 1.7 * error
        p_value = ttost_ind(second, first, -margin, margin, usevar="unequal")[0]
        found = ratio_within_one_boot(data, 0.9)
        assert found.low is not None and found.high is not None
        inside = found.low > math.exp(-margin) and found.high < math.exp(margin)
        assert inside == (p_value < 0.05)
        agreed += inside
    assert 50 < agreed < SETS - 50


def test_medians_lie_between_the_order_statistics_of_the_exact_binomial_interval(
    data_sets: list[DataSet],
) -> None:
    for data in data_sets:
        count = len(data.values)
        rank = median_rank(count, data.confidence)
        exact = int(stats.binom.ppf((1.0 - data.confidence) / 2.0, count, 0.5))
        # The largest r with 1 - 2 P(B < r) >= confidence, straight from the binomial.
        assert rank == max(
            (
                r
                for r in range(exact + 2)
                if 1 - 2 * stats.binom.cdf(r - 1, count, 0.5) >= data.confidence
            ),
            default=0,
        )
        found = median_interval(data.values, data.confidence)
        assert found.estimate == close(np.median(data.values))
        assert (found.low is None) == (rank == 0)


def test_bootstrap_limits_agree_with_scipys_within_monte_carlo_error(
    data_sets: list[DataSet],
) -> None:
    for data in data_sets[:20]:
        found = bca_limits(data.values, 0.95, resamples=9999)
        expected = stats.bootstrap(
            (np.array(data.values),), np.mean, n_resamples=9999, method="BCa", rng=1
        ).confidence_interval
        assert found.low is not None and found.high is not None
        spread = expected.high - expected.low
        assert found.low == pytest.approx(expected.low, abs=0.06 * spread)
        assert found.high == pytest.approx(expected.high, abs=0.06 * spread)


def test_holms_procedure_rejects_what_statsmodels_rejects() -> None:
    from statsmodels.stats.multitest import multipletests

    generator = np.random.default_rng(10)
    for _ in range(20):  # statsmodels takes a tenth of a second for each
        p_values = (generator.uniform(size=generator.integers(1, 12)) ** 3).tolist()
        levels = holm_levels(p_values, 0.05)
        expected = multipletests(p_values, 0.05, method="holm")[0].tolist()
        assert [p <= level for p, level in zip(p_values, levels, strict=True)] == expected
