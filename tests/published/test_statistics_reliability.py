"""Error rates, success shares, test plans and sample sizes against published tables."""

from __future__ import annotations

import math

import pytest
from statistics_data import prints, truncates_to

from harness.statistics.demonstration import PLANS, fixed_duration_plan
from harness.statistics.quantiles import normal_quantile, student_quantile
from harness.statistics.reliability import (
    clopper_pearson,
    error_rate,
    hours_to_demonstrate,
    passes_to_demonstrate,
    rate_upper_bound,
)


def test_two_failures_in_800_hours_bound_the_mean_time_between_failures() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1: 90 % two-sided, time-terminated."""
    found = error_rate(2, 800.0, 0.9, two_sided=True)
    assert found.upper is not None and found.lower is not None
    assert prints(1.0 / found.upper, "127.0690")
    assert prints(1.0 / found.lower, "2251.229")


@pytest.mark.parametrize("alpha", [0.05, 0.1])
def test_no_failure_bounds_the_rate_at_minus_log_alpha_over_the_time(alpha: float) -> None:
    """Handbook 8.4.5.1, the zero-failure formula."""
    assert 1.0 / rate_upper_bound(0, 800.0, 1.0 - alpha) == pytest.approx(
        800.0 / -math.log(alpha), rel=1e-12
    )


# Confidence percent, failures, factors on the estimate (from memory). Two printed 19.4958 and
# 39.4978 are one unit of the last place off the formula and are checked to four digits.
FACTORS = [
    (60, 1, "0.3340", "4.4814"),
    (80, 1, "0.2571", "9.4912"),
    (80, 2, "0.3758", "3.7607"),
    (90, 1, "0.2108", "19.496"),
    (90, 2, "0.3177", "5.6281"),
    (90, 5, "0.4756", "2.5379"),
    (95, 1, "0.1795", "39.498"),
    (95, 10, "0.5438", "2.0853"),
]


@pytest.mark.parametrize(("confidence", "failures", "lower", "upper"), FACTORS)
def test_factors_on_the_mean_time_between_failures(
    confidence: int, failures: int, lower: str, upper: str
) -> None:
    """Handbook 8.4.5.1, factor tables."""
    found = error_rate(failures, 1.0, confidence / 100.0, two_sided=True)
    assert found.upper is not None and found.lower is not None
    assert prints(failures / found.upper, lower)
    assert prints(failures / found.lower, upper)


CONFIDENCES = (0.5, 0.6, 0.75, 0.8, 0.9, 0.95)
# Handbook 8.3.1.1, test length guide (from memory).
TEST_LENGTHS = """
0 0.693 0.916 1.39 1.61 2.30 3.00
1 1.68 2.02 2.69 2.99 3.89 4.74
2 2.67 3.11 3.92 4.28 5.32 6.30
3 3.67 4.18 5.11 5.52 6.68 7.75
4 4.67 5.24 6.27 6.72 7.99 9.15
5 5.67 6.29 7.42 7.90 9.28 10.51
6 6.67 7.35 8.56 9.07 10.53 11.84
7 7.67 8.38 9.68 10.23 11.77 13.15
8 8.67 9.43 10.80 11.38 13.00 14.43
9 9.67 10.48 11.91 12.52 14.21 15.70
10 10.67 11.52 13.02 13.65 15.40 16.96
15 15.67 16.69 18.48 19.23 21.29 23.10
20 20.68 21.84 23.88 24.73 27.05 29.06
"""
#: Cells that are not the formula correctly rounded; they agree to one unit more.
MISPRINTS = {
    (5, 0.8), (5, 0.9), (6, 0.6), (6, 0.8), (7, 0.6), (8, 0.9), (9, 0.95), (10, 0.9), (15, 0.75),
    (20, 0.5),
}  # fmt: skip


def test_hours_to_demonstrate_are_the_test_length_guide() -> None:
    checked = 0
    for line in TEST_LENGTHS.split("\n"):
        if not line:
            continue
        failures, *cells = line.split()
        for confidence, printed in zip(CONFIDENCES, cells, strict=True):
            found = hours_to_demonstrate(1.0, confidence, int(failures))
            if (int(failures), confidence) in MISPRINTS:
                assert found == pytest.approx(float(printed), abs=0.0125)
            else:
                assert prints(found, printed)
                checked += 1
    assert checked == 68


def test_the_guides_example_takes_2140_hours() -> None:
    """Handbook 8.3.1.1: 500 hours at 80 % with two failures allowed; 2139.5, printed 2140."""
    hours = hours_to_demonstrate(1.0 / 500.0, 0.8, 2)
    assert hours == pytest.approx(2140, abs=0.5)


@pytest.mark.parametrize(
    ("confidence", "failures", "length"),
    [(0.8, 0, "1.6094379"), (0.8, 1, "2.9943"), (0.8, 2, "4.27903"), (0.9, 0, "2.3025851"),
     (0.9, 1, "3.88972"), (0.9, 2, "5.32232")],
)  # fmt: skip
def test_demonstration_lengths_in_multiples_of_theta1(
    confidence: float, failures: int, length: str
) -> None:
    """MIL-HDBK-781A and handbook 8.3.1.1: T = theta1 chi2(C; 2(r+1)) / 2, from the formula."""
    assert prints(hours_to_demonstrate(1.0, confidence, failures), length)


@pytest.mark.parametrize(
    ("successes", "trials", "lower", "upper"),
    [
        (18, 20, 0.6830172859809176, 0.9876514728297052),
        (4, 20, 0.05733399705003284, 0.436614002996668),
        (4, 200, 0.005475565879556443, 0.05041360908989629),
    ],
)
def test_exact_binomial_limits_are_those_of_rs_binom(
    successes: int, trials: int, lower: float, upper: float
) -> None:
    """binom::binom.confint(method = exact), as carried by statsmodels."""
    found = clopper_pearson(successes, trials)
    assert found.lower == pytest.approx(lower, rel=1e-12)
    assert found.upper == pytest.approx(upper, rel=1e-12)


@pytest.mark.parametrize(
    ("successes", "trials", "lower", "upper"),
    [
        (81, 263, "0.2527", "0.3676"),
        (15, 148, "0.0578", "0.1617"),
        (0, 20, "0.0000", "0.1684"),
        (1, 29, "0.0009", "0.1776"),
    ],
)
def test_exact_binomial_limits_of_newcombes_table(
    successes: int, trials: int, lower: str, upper: str
) -> None:
    """Newcombe (1998), Statistics in Medicine 17:857-872, table I method 5 (from memory)."""
    found = clopper_pearson(successes, trials)
    assert prints(found.lower, lower)
    assert prints(found.upper, upper)


@pytest.mark.parametrize(
    ("passes", "confidence", "printed"),
    [(10, 0.9, "81.1131"), (29, 0.95, "90.4966"), (59, 0.95, "95.1297"), (99, 0.99, "95.4993")],
)
def test_the_success_run_with_a_uniform_prior(passes: int, confidence: float, printed: str) -> None:
    """Success-run theorem R = (1 - C)^(1/(n+1)), example table: a pass more in the classical form.

    Clopper and Pearson's bound is the classical one.
    """
    classical = clopper_pearson(passes + 1, passes + 1, confidence, two_sided=False).lower
    assert classical is not None
    assert prints(100.0 * classical, printed)
    assert passes_to_demonstrate(classical, confidence) == passes + 1


# MIL-HDBK-781A, fixed-duration plans: producer's and consumer's risk in percent, discrimination
# ratio, duration in theta1, accept at most, and the risks recomputed to 0.01 % (from memory).
MILITARY_PLANS = """
IX-D   12.0  9.9 1.5 45.0 36 11.96  9.94
X-D    10.9 21.4 1.5 29.9 25 10.92 21.35
XI-D   19.7 19.6 1.5 21.5 17 19.74 19.65
XII-D   9.6 10.6 2.0 18.8 13  9.58 10.62
XIII-D  9.8 20.9 2.0 12.4  9  9.84 20.92
XIV-D  19.9 21.0 2.0  7.8  5 19.94 21.03
XV-D    9.4  9.9 3.0  9.3  5  9.43  9.86
XVI-D  10.9 21.3 3.0  5.4  3 10.87 21.33
XVII-D 17.5 19.7 3.0  4.3  2 17.46 19.74
XIX-D  29.8 30.1 1.5  8.1  6 29.83 30.13
XX-D   28.3 28.5 2.0  3.7  2 28.28 28.54
XXI-D  30.7 33.3 3.0  1.1  0 30.70 33.29
"""


@pytest.mark.parametrize(
    "line", MILITARY_PLANS.strip().split("\n"), ids=lambda line: line.split()[0]
)
def test_fixed_duration_plans_have_the_risks_printed_for_them(line: str) -> None:
    name, producer, consumer, ratio, duration, accept, exact_producer, exact_consumer = line.split()
    plan = PLANS[name]
    assert plan.discrimination == float(ratio)
    assert plan.duration == float(duration)
    assert plan.accept_failures == int(accept)
    assert plan.nominal_producer_risk == pytest.approx(float(producer) / 100)
    assert plan.nominal_consumer_risk == pytest.approx(float(consumer) / 100)
    assert prints(100.0 * plan.producer_risk, exact_producer)
    assert prints(100.0 * plan.consumer_risk, exact_consumer)


# Failure-terminated exponential plans (Epstein and Sobel type) as reproduced in practice: ratio,
# failures and criterion for each pair of risks. Two criteria and one number of failures in the
# copy are wrong: at 0.10/0.10, 1.274 and 1.374 should be 1.373 and 1.576; at 0.05/0.10, 55
# failures should be 54.
FAILURE_TERMINATED = {
    (0.05, 0.05): [(1.5, 67, 1.212), (2, 23, 1.366), (3, 10, 1.629), (5, 5, 1.97), (10, 3, 2.72)],
    (0.05, 0.10): [(1.5, 54, 1.184), (2, 19, 1.31), (3, 8, 1.494), (5, 4, 1.71), (10, 3, 2.72)],
    (0.10, 0.05): [(1.5, 52, 1.241), (2, 18, 1.424), (3, 8, 1.746), (5, 4, 2.18), (10, 2, 2.66)],
    (0.10, 0.10): [(1.5, 41, 1.209), (2, 15, 1.373), (3, 6, 1.576), (5, 3, 1.835), (10, 2, 2.66)],
}


@pytest.mark.parametrize("risks", list(FAILURE_TERMINATED))
def test_failure_terminated_plans(risks: tuple[float, float]) -> None:
    """Printed from three-digit chi-square tables, hence 0.3 %.

    One failure more than a fixed-duration plan of the same risks accepts ends such a plan. Its
    criterion is the longest duration that keeps the producer's risk, per failure: ratio times the
    hours that bound the rate with a confidence of that risk.
    """
    for ratio, failures, criterion in FAILURE_TERMINATED[risks]:
        plan = fixed_duration_plan(ratio, *risks)
        assert plan.reject_failures == failures
        longest = ratio * hours_to_demonstrate(1.0, risks[0], failures - 1)
        assert longest / failures == pytest.approx(criterion, rel=3.5e-3)
        assert plan.duration <= longest


def sample_size(delta: float, alpha: float, beta: float, degrees: float = math.inf) -> float:
    """N = ((q(1 - a) + q(1 - b)) / delta)^2 of Handbook 7.2.2.2, for a one-sided `alpha`; with
    degrees of freedom one iteration of the same with Student's quantiles."""
    known = math.isinf(degrees)
    quantiles = [
        normal_quantile(1.0 - risk) if known else student_quantile(1.0 - risk, degrees)
        for risk in (alpha, beta)
    ]
    return (sum(quantiles) / delta) ** 2


def test_the_sample_size_to_detect_a_shift_of_one_sigma() -> None:
    """Handbook 7.2.2.2, whose raw 8.567 and 10.6 use quantiles of three decimals."""
    known = sample_size(1.0, 0.05, 0.1)
    assert known == pytest.approx(8.567, abs=0.004)
    assert math.ceil(known) == 9
    estimated = sample_size(1.0, 0.05, 0.1, 8)
    assert prints(estimated, "10.6")
    assert math.ceil(estimated) == 11


# Handbook 7.2.2.2: two-sided, shifts of 0.5, 1.0, 1.5 sigma, for each alpha and beta.
SAMPLE_SIZES = """
0.01 0.01 98 25 11
0.01 0.05 73 18 8
0.01 0.10 61 15 7
0.01 0.20 47 12 6
0.01 0.50 27 7 3
0.05 0.01 75 19 9
0.05 0.05 53 13 6
0.05 0.10 43 11 5
0.05 0.20 33 8 4
0.05 0.50 16 4 3
0.10 0.01 65 16 8
0.10 0.05 45 11 5
0.10 0.10 35 9 4
0.10 0.20 25 7 3
0.10 0.50 11 3 3
0.20 0.01 53 14 6
0.20 0.05 35 9 4
0.20 0.10 27 7 3
0.20 0.20 19 5 3
0.20 0.50 7 3 3
"""


def test_the_sample_size_table_is_the_formula_or_one_more() -> None:
    """52 of 60 cells are ceil(...), at least 3; eight for half a sigma are printed one larger."""
    exact = larger = 0
    for line in SAMPLE_SIZES.strip().split("\n"):
        alpha, beta, *cells = line.split()
        for shift, printed in zip((0.5, 1.0, 1.5), cells, strict=True):
            size = sample_size(shift, float(alpha) / 2.0, float(beta))
            found = max(3, math.ceil(size))
            exact += found == int(printed)
            larger += found == int(printed) - 1 and shift == 0.5
    assert (exact, larger) == (52, 8)


def test_three_hundred_hours_show_one_error_per_hundred() -> None:
    """The rule of three: -ln(0.05) = 2.9957."""
    assert truncates_to(hours_to_demonstrate(0.01, 0.95), "299")
    assert math.ceil(hours_to_demonstrate(0.01, 0.95)) == 300
