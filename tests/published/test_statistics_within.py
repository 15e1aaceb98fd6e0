"""Summaries, outliers and intervals against NIST's handbook and certified values.

Handbook: NIST/SEMATECH e-Handbook of Statistical Methods, with the section at each test.
"""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from statistics_data import numbers, prints, truncates_to

from harness.statistics.intervals import student_interval
from harness.statistics.outliers import generalized_esd, judge_trials
from harness.statistics.quantiles import chi2_quantile, student_quantile, student_two_sided
from harness.statistics.summary import lag1_of, mean_of, sd_of
from harness.statistics.tolerance import (
    howe_factor,
    tolerance_factor,
)

ROSNER_STEPS = """
3.118906 3.158794
2.942973 3.151430
3.179424 3.143890
2.810181 3.136165
2.815580 3.128247
2.848172 3.120128
2.279327 3.111796
2.310366 3.103243
2.101581 3.094456
2.067178 3.085425
"""


def test_rosners_54_values_hold_three_outliers_although_two_steps_lie_below_their_bounds() -> None:
    """Handbook 1.3.5.17.3; Rosner (1983), Technometrics 25(2):165-172."""
    values = numbers("rosner54.txt")
    found = generalized_esd(values, 10, 0.05)
    printed = [line.split() for line in ROSNER_STEPS.split("\n") if line]
    assert len(found.statistics) == len(printed) == 10
    for (statistic, bound), got, limit in zip(
        printed, found.statistics, found.critical_values, strict=True
    ):
        assert prints(got, statistic)
        assert prints(limit, bound)
    assert [values[index] for index in found.indices] == [6.01, 5.42, 5.34]
    assert found.statistics[0] < found.critical_values[0]
    assert found.statistics[1] < found.critical_values[1]


def test_the_trial_judgement_flags_rosners_three_outliers_and_keeps_them() -> None:
    values = numbers("rosner54.txt")
    found = judge_trials(values)
    assert sorted(values[flag.index] for flag in found.flagged) == [5.34, 5.42, 6.01]
    assert found.rejected == ()
    assert len(found.kept) == 54


ZARR_LIMITS = """
0.5     0.675756 9.260358 9.262564
0.25    1.153804 9.259578 9.263344
0.1     1.652746 9.258764 9.264158
0.05    1.972268 9.258242 9.264679
0.01    2.601409 9.257215 9.265706
0.001   3.341382 9.256008 9.266914
0.0001  3.973014 9.254977 9.267944
0.00001 4.536689 9.254057 9.268864
"""


def test_zarr13_gives_the_handbooks_eight_intervals_of_the_mean() -> None:
    """Handbook 1.3.5.2 and its R script; the printed mean is cut off, not rounded."""
    values = numbers("zarr13.txt")
    mean, sd = mean_of(values), sd_of(values)
    assert len(values) == 195
    assert truncates_to(mean, "9.261460")
    assert prints(sd, "0.022789")
    error = sd / math.sqrt(195)
    assert prints(error, "0.00163")
    # The page's 2611.284 does not follow from the data; its R script prints 2611.286.
    assert prints((mean - 5.0) / error, "2611.286")
    for alpha, t, low, high in (line.split() for line in ZARR_LIMITS.split("\n") if line):
        assert prints(student_two_sided(1.0 - float(alpha), 194), t)
        interval = student_interval(values, 1.0 - float(alpha))
        assert prints(interval.low, low)
        assert prints(interval.high, high)


def test_wafer_particle_counts_give_the_handbooks_one_sample_t() -> None:
    """Handbook 7.2.2."""
    values = [50.0, 48, 44, 56, 61, 52, 53, 55, 67, 51]
    mean, sd = mean_of(values), sd_of(values)
    assert prints(mean, "53.7")
    assert prints(sd, "6.567")
    assert prints((mean - 50.0) / (sd / math.sqrt(10)), "1.782")
    assert prints(student_quantile(0.975, 9), "2.262")


def test_the_chi_square_limits_of_the_gear_variance_are_the_handbooks() -> None:
    """Handbook 1.3.5.8 (from memory)."""
    assert prints(chi2_quantile(0.025, 99), "73.361")
    assert prints(chi2_quantile(0.975, 99), "128.422")
    variance = sd_of(numbers("gear.txt")) ** 2
    assert prints(99 * variance / 0.01, "0.3903")


CERTIFIED = [
    ("michelso.txt", "299.852400000000", "0.0790105478190518", "0.535199668621283"),
    ("lottery.txt", "518.958715596330", "291.699727470969", "-0.120948622967393"),
    ("lew.txt", "-177.435000000000", "277.332168044316", "-0.307304800605679"),
    ("mavro.txt", "2.00185600000000", "0.000429123454003053", "0.937989183438248"),
]


def agreeing_digits(value: float | None, certified: str) -> float:
    """Log relative error, the measure of the Statistical Reference Datasets."""
    assert value is not None
    exact = Decimal(certified)
    error = abs((Decimal(value) - exact) / exact)
    return 16.0 if error == 0 else float(-error.log10())


@pytest.mark.parametrize(("name", "mean", "sd", "lag1"), CERTIFIED)
def test_certified_mean_deviation_and_autocorrelation_hold_to_at_least_twelve_digits(
    name: str, mean: str, sd: str, lag1: str
) -> None:
    """NIST Statistical Reference Datasets, univariate; Mavro's own digits bound its spread."""
    values = numbers(name)
    assert agreeing_digits(mean_of(values), mean) > 14.5
    assert agreeing_digits(sd_of(values), sd) > 12.0
    assert agreeing_digits(lag1_of(values), lag1) > 12.0


@pytest.mark.parametrize(
    ("values", "mean", "sd", "lag1", "digits"),
    [
        ([10000001.0, 10000003.0, 10000002.0], "10000002", "1", "-0.5", 15.0),
        ([1000000.2, *[1000000.1, 1000000.3] * 500], "1000000.2", "0.1", "-0.999", 9.0),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], "10000000.2", "0.1", "-0.999", 8.0),
    ],
    ids=["NumAcc1", "NumAcc3", "NumAcc4"],
)
def test_numerical_accuracy_sets_lose_no_more_than_their_binary_inputs_do(
    values: list[float], mean: str, sd: str, lag1: str, digits: float
) -> None:
    """StRD NumAcc1, 3, 4: a one-pass formula keeps nothing of the last two."""
    assert agreeing_digits(mean_of(values), mean) > 14.5
    assert agreeing_digits(sd_of(values), sd) > digits
    assert agreeing_digits(lag1_of(values), lag1) > digits


@pytest.mark.parametrize(
    ("count", "howe", "exact"),
    [
        (10, 3.3819, 3.3934),
        (20, 2.7523, 2.7603),
        (30, 2.5496, 2.5549),
        (50, 2.3788, 2.3816),
    ],
)
def test_tolerance_factors_for_95_percent_content_and_confidence(
    count: int, howe: float, exact: float
) -> None:
    """Two-sided: the exact factor, and Howe's.

    Older tables print 3.379, 2.752, 2.549, 2.379 for two sides, which Howe's formula nearly gives.
    """
    assert howe_factor(count, 0.95, 0.95) == pytest.approx(howe, abs=5e-5)
    assert tolerance_factor(count, 0.95, 0.95) == pytest.approx(exact, abs=5e-5)
