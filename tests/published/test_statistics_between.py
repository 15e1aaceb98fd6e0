"""Two samples, ratios, equivalence and nested designs against published examples."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import chain

import pytest
from statistics_data import numbers, prints, rows, truncates_to

from harness.statistics.decision import Change, decide_change
from harness.statistics.intervals import student_interval
from harness.statistics.levels import (
    boots_interval,
    combine_variances,
    nested_anova,
    variance_components,
)
from harness.statistics.quantiles import f_tail, student_cdf, student_quantile
from harness.statistics.ratio import fieller_limits, ratio_from_terms
from harness.statistics.spending import SpendingPlan, spending_boundaries
from harness.statistics.summary import mean_of, sd_of
from tests.statistics.look_oracle import repeated_look_error

Terms = list[tuple[float, float | None]]


def welch_terms(first: list[float], second: list[float]) -> Terms:
    return [(sd_of(side) ** 2 / len(side), len(side) - 1.0) for side in (first, second)]


def test_assembly_times_give_the_handbooks_welch_test() -> None:
    """NIST/SEMATECH e-Handbook 7.3.1."""
    old = [32.0, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
    new = [36.0, 31, 30, 31, 34, 36, 29, 32, 31]
    assert prints(mean_of(old), "36.0909")
    assert prints(mean_of(new), "32.2222")
    assert prints(sd_of(old), "4.9082")
    assert prints(sd_of(new), "2.5386")
    variance, degrees = combine_variances(welch_terms(old, new))
    assert prints((mean_of(old) - mean_of(new)) / math.sqrt(variance), "2.2694")
    assert prints(degrees, "15.5")
    assert prints(student_quantile(0.95, 16), "1.746")


def test_car_mileages_give_the_handbooks_pooled_test_and_interval() -> None:
    """Handbook 1.3.5.3 and its R script. Welch's T and degrees are from memory."""
    us, japan = numbers("auto83b_us.txt"), numbers("auto83b_jp.txt")
    assert (len(us), len(japan)) == (249, 79)
    # Printed 0.40652 from the rounded deviation; the data give 0.406515.
    assert sd_of(us) / math.sqrt(249) == pytest.approx(0.40652, abs=6e-6)
    assert prints(sd_of(japan) / math.sqrt(79), "0.68717")
    anova = nested_anova([us, japan])
    assert anova.degrees_within == 326
    assert anova.f is not None and anova.ms_within is not None
    assert prints(-math.sqrt(anova.f), "-12.62059")
    assert prints(math.sqrt(anova.ms_within), "6.34260")
    difference = mean_of(us) - mean_of(japan)
    pooled: Terms = [(anova.ms_within * (1 / 249 + 1 / 79), 326.0)]
    limits = ratio_from_terms(difference, pooled, 0.95, "pooled")
    assert limits.low is not None and limits.high is not None
    assert prints(math.log(limits.low), "-11.947653")
    assert prints(math.log(limits.high), "-8.725216")
    assert prints(student_quantile(0.975, 326), "1.967268")
    assert prints(student_quantile(0.95, 326), "1.649541")
    variance, degrees = combine_variances(welch_terms(us, japan))
    assert prints(difference / math.sqrt(variance), "-12.94627")
    assert prints(degrees, "136.8750")


def test_the_gums_effective_degrees_of_freedom() -> None:
    """JCGM 100:2008, G.4.1 EXAMPLE (from memory): relative uncertainties 0.25, 0.57, 0.82 %."""
    terms: Terms = [(0.25**2, 9.0), (0.57**2, 4.0), (0.82**2, 14.0)]
    variance, degrees = combine_variances(terms)
    assert prints(math.sqrt(variance), "1.03")
    assert prints(degrees, "19.0")
    assert prints(student_quantile(0.975, 19), "2.09")
    assert prints(student_quantile(0.975, 19) * math.sqrt(variance), "2.2")


def test_fiellers_limits_are_those_of_colquhouns_program() -> None:
    """Colquhoun (1971), Lectures on Biostatistics; reference output of his program, g cut off."""
    found = fieller_limits(14, 7, 3, 2, 1.812461)
    assert found.low is not None and found.high is not None
    assert truncates_to(found.g, "0.268164")
    assert prints(found.low, "1.051413")
    assert prints(found.high, "4.414296")
    assert prints(student_quantile(0.95, 10), "1.812461")
    assert prints(math.sqrt(3**2 + 2.0**2 * 2**2) / 7, "0.714286")


def test_kalibera_and_jones_ratio_limits_are_fiellers() -> None:
    """Kalibera and Jones (2013): the formula from memory, checked as an identity.

    [Y Y' +- sqrt((Y Y')^2 - (Y^2 - h^2)(Y'^2 - h'^2))] / (Y^2 - h^2), h the half-widths.
    """
    before, after, h, k = 100.0, 103.0, 0.8, 0.5
    product = before * after
    root = math.sqrt(product**2 - (before**2 - h**2) * (after**2 - k**2))
    t = 2.262
    found = fieller_limits(after, before, k / t, h / t, t)
    assert found.low == pytest.approx((product - root) / (before**2 - h**2), rel=1e-12)
    assert found.high == pytest.approx((product + root) / (before**2 - h**2), rel=1e-12)


def test_with_one_trial_a_boot_the_two_level_interval_is_students() -> None:
    """Kalibera and Jones (2013), identity for a single level."""
    values = [99.1, 100.4, 100.2, 99.7, 101.0]
    levels = boots_interval([[value] for value in values], 0.95)
    plain = student_interval(values, 0.95)
    assert (levels.low, levels.high) == (plain.low, plain.high)


def test_gear_batches_give_the_handbooks_analysis_of_variance() -> None:
    """Handbook 1.3.5.4."""
    batches = rows("gear.txt")
    found = nested_anova(batches)
    means = "0.99800 0.99910 0.99540 0.99820 0.99190 0.99880 1.00150 1.00040 0.99830 0.99480"
    assert all(
        prints(mean_of(batch), text) for batch, text in zip(batches, means.split(), strict=True)
    )
    assert prints(found.ss_between, "0.000729")
    assert prints(found.ss_within, "0.003174")
    assert prints(found.ms_between, "0.000081")
    assert prints(found.ms_within, "0.000035")
    assert prints(found.ss_between + found.ss_within, "0.003903")
    assert prints(found.f, "2.2969")
    assert found.ms_within is not None
    assert prints(math.sqrt(found.ms_within), "0.00594")
    assert prints(math.sqrt(found.ms_within / 10), "0.00188")
    assert prints(f_tail(1.9856, 9, 90), "0.0500")


def test_three_levels_of_five_give_the_handbooks_analysis_of_variance() -> None:
    """Handbook 7.4.3.3 and 7.4.3.4."""
    found = nested_anova(
        [
            [6.9, 5.4, 5.8, 4.6, 4.0],
            [8.3, 6.8, 7.8, 9.2, 6.5],
            [8.0, 10.5, 8.1, 6.9, 9.3],
        ]
    )
    assert prints(found.ss_between, "27.897")
    assert prints(found.ms_between, "13.949")
    assert prints(found.ss_within, "17.452")
    assert prints(found.ms_within, "1.454")
    assert prints(found.ss_between + found.ss_within, "45.349")
    assert prints(found.f, "9.59")
    assert prints(found.p_value, "0.00325")


# Columns are machines 1 to 5.
MACHINES_DAY = """
.125 .118 .123 .126 .118
.127 .122 .125 .128 .129
.125 .120 .125 .126 .127
.126 .124 .124 .127 .120
.128 .119 .126 .129 .121
"""
MACHINES_NIGHT = """
.124 .116 .122 .126 .125
.128 .125 .121 .129 .123
.127 .119 .124 .125 .114
.126 .125 .126 .130 .124
.129 .120 .125 .124 .117
"""


def columns(text: str) -> list[list[float]]:
    lines = [[float(word) for word in line.split()] for line in text.split("\n") if line]
    return [list(column) for column in zip(*lines, strict=True)]


def test_machines_and_operators_give_the_handbooks_nested_analysis() -> None:
    """Handbook 3.2.3.3. Its F of 0.428 for operators comes from a rounded mean square."""
    day, night = columns(MACHINES_DAY), columns(MACHINES_NIGHT)
    whole = nested_anova([first + second for first, second in zip(day, night, strict=True)])
    cells = nested_anova(day + night)
    assert prints(whole.ss_between, "0.000303")
    operators = cells.ss_between - whole.ss_between
    assert prints(operators, "0.0000186")
    assert prints(cells.ss_within, "0.000346")
    assert whole.ms_between is not None and cells.ms_within is not None
    assert prints(whole.ms_between, "0.0000758")
    assert prints(operators / 5, "0.00000372")
    assert prints(cells.ms_within, "0.0000087") or cells.ms_within == pytest.approx(0.00000865)
    assert prints(whole.ms_between / (operators / 5), "20.38")
    assert operators / 5 / cells.ms_within == pytest.approx(0.4300578, rel=1e-6)
    assert operators / 5 / 0.0000087 == pytest.approx(0.428, abs=5e-4)


def test_rats_within_technicians_give_mcdonalds_nested_analysis() -> None:
    """McDonald, Handbook of Biological Statistics; Mangiafico, rcompanion."""
    rats = rows("rats_nested.txt")
    janet, brad = rats[:3], rats[3:]
    technicians = nested_anova([[*chain.from_iterable(janet)], [*chain.from_iterable(brad)]])
    cells = nested_anova(rats)
    between_rats = cells.ss_between - technicians.ss_between
    assert prints(technicians.ss_between, "0.0384105")
    assert prints(between_rats, "0.5739754")
    assert prints(cells.ss_within, "1.9460277")
    assert prints(between_rats / 4, "0.14349386")
    assert prints(cells.ms_within, "0.03603755")
    assert cells.ms_within is not None
    f_technician = technicians.ss_between / (between_rats / 4)
    assert prints(f_technician, "0.2677")
    assert prints(f_tail(f_technician, 1, 4), "0.6322")
    f_rat = between_rats / 4 / cells.ms_within
    assert prints(f_rat, "3.98179")
    assert prints(f_tail(f_rat, 4, 54), "0.0066601")


def test_rats_of_one_technician_are_boots_whose_components_follow_the_method_of_moments() -> None:
    """T1^2 = S1^2, T2^2 = S2^2 - S1^2 / r1 (Kalibera and Jones 2013), pooled over technicians."""
    rats = rows("rats_nested.txt")
    parts = [variance_components(group) for group in (rats[:3], rats[3:])]
    within = [part.within for part in parts]
    between = [part.between_raw for part in parts]
    assert sum(value for value in within if value is not None) / 2 == pytest.approx(
        0.03603755, abs=5e-9
    )
    assert sum(value for value in between if value is not None) / 2 == pytest.approx(
        0.01074563, abs=5e-9
    )


def test_silicon_resistivity_gives_the_certified_analysis_of_variance() -> None:
    """NIST StRD analysis of variance, SiRstv; the file ships with scipy's tests."""
    from importlib.resources import files

    source = files("scipy") / "stats" / "tests" / "data" / "nist_anova" / "SiRstv.dat"
    if not source.is_file():
        pytest.skip("this scipy was installed without its test data")
    lines = source.read_text(encoding="ascii").splitlines()[60:]
    groups: dict[str, list[float]] = {}
    for line in lines:
        treatment, response = line.split()
        groups.setdefault(treatment, []).append(float(response))
    found = nested_anova(list(groups.values()))
    assert (found.degrees_between, found.degrees_within) == (4, 20)
    assert found.ss_between == pytest.approx(5.11462616000000e-02, rel=1e-12)
    assert found.ms_between == pytest.approx(1.27865654000000e-02, rel=1e-12)
    assert found.ss_within == pytest.approx(2.16636560000000e-01, rel=1e-12)
    assert found.ms_within == pytest.approx(1.08318280000000e-02, rel=1e-12)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-12)
    assert found.ms_within is not None
    assert math.sqrt(found.ms_within) == pytest.approx(1.04076068334656e-01, rel=1e-12)
    share = found.ss_between / (found.ss_between + found.ss_within)
    assert share == pytest.approx(1.90999039051129e-01, rel=1e-12)


# Two variables of 15 patients in each of two groups: the clinic data of R's package equivalence,
# as carried by statsmodels (its test_tost.py).
VAR1 = (
    [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84],
    [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02],
)
VAR2 = (
    [4.00, 3.26, 4.14, 3.42, 3.25, 4.34, 4.97, 4.31, 3.11, 3.41, 5.02, 4.21, 4.59, 5.30, 4.32],
    [3.76, 3.66, 3.65, 3.60, 3.48, 2.87, 3.24, 3.92, 3.99, 4.21, 4.21, 3.31, 3.61, 2.97, 2.73],
)


def paired_terms(first: list[float], second: list[float]) -> Terms:
    changes = [one - other for one, other in zip(first, second, strict=True)]
    return [(sd_of(changes) ** 2 / len(changes), len(changes) - 1.0)]


def pooled_terms(first: list[float], second: list[float]) -> Terms:
    anova = nested_anova([first, second])
    assert anova.ms_within is not None
    share = 1.0 / len(first) + 1.0 / len(second)
    return [(anova.ms_within * share, float(anova.degrees_within))]


# Output of equivalence::tost with eps = 0.6: difference, standard error, degrees of freedom, 90 %
# limits, p, whether equivalence was shown.
CLINIC = [
    (paired_terms, VAR2, 0.5626666666666665, 0.2478276410785118, 14,
     0.1261653305099018, 0.999168002823431, 0.4412034046017588, False),
    (paired_terms, VAR1, 0.1646666666666667, 0.1357514067862445, 14,
     -0.0744336620516462, 0.4037669953849797, 0.003166881489265175, True),
    (welch_terms, VAR2, 0.562666666666666, 0.2149871904637392, 24.11000151062728,
     0.194916250699966, 0.930417082633366, 0.4317936812594803, False),
    (welch_terms, VAR1, 0.1646666666666667, 0.2531625991083627, 26.7484787582315,
     -0.2666862980722534, 0.596019631405587, 0.04853083976236974, True),
    (pooled_terms, VAR1, 0.1646666666666667, 0.2531625991083628, 28,
     -0.2659960620757337, 0.595329395409067, 0.04827315100761467, True),
    (pooled_terms, VAR2, 0.562666666666666, 0.2149871904637392, 28,
     0.1969453064978777, 0.928388026835454, 0.43169347692374, False),
]  # fmt: skip


@pytest.mark.parametrize(
    ("terms_of", "data", "difference", "error", "degrees", "low", "high", "p", "shown"), CLINIC
)
def test_the_clinic_data_give_rs_equivalence_tests_to_twelve_digits(
    terms_of: Callable[[list[float], list[float]], Terms],
    data: tuple[list[float], list[float]],
    difference: float,
    error: float,
    degrees: float,
    low: float,
    high: float,
    p: float,
    shown: bool,
) -> None:
    terms = terms_of(*data)
    found = mean_of(data[0]) - mean_of(data[1])
    variance, freedom = combine_variances(terms)
    assert found == pytest.approx(difference, rel=1e-12)
    assert math.sqrt(variance) == pytest.approx(error, rel=1e-12)
    assert freedom == pytest.approx(degrees, rel=1e-12)
    limits = ratio_from_terms(found, terms, 0.9, "t")
    assert limits.low is not None and limits.high is not None
    assert math.log(limits.low) == pytest.approx(low, rel=1e-11)
    assert math.log(limits.high) == pytest.approx(high, rel=1e-11)
    assert student_cdf((found - 0.6) / error, freedom) == pytest.approx(p, rel=1e-11)
    decided = decide_change(limits.low, limits.high, 100.0 * math.expm1(0.6))
    assert (decided is Change.EQUIVALENT) == shown


def test_equivalence_from_summaries_as_in_lakens_re_analysis() -> None:
    """Lakens (2017), SPPS 8(4):355-362: Eskine's data, bound d = 0.43; t and p from memory."""
    m1, sd1, n1, m2, sd2, n2 = 5.25, 0.95, 95, 5.22, 0.83, 89
    bound = 0.43 * math.sqrt((sd1**2 + sd2**2) / 2)
    assert prints(bound, "0.384")
    variance, degrees = combine_variances([(sd1**2 / n1, n1 - 1.0), (sd2**2 / n2, n2 - 1.0)])
    t = (m1 - m2 - bound) / math.sqrt(variance)
    assert prints(t, "-2.69")
    assert prints(student_cdf(t, degrees), "0.004")


def test_repeated_looks_give_the_published_errors_and_constants() -> None:
    """Armitage, McPherson and Rowe (1969): five looks at 5 % give 14.2 %. Pocock's constant for
    five looks 2.413, O'Brien and Fleming's 2.040 (Jennison and Turnbull 2000), from memory.

    What each look spends at these bounds gives them back, and all of it together is the error.
    """
    steps = [1.0, 2, 3, 4, 5]
    fleming = [2.040 * math.sqrt(5 / step) for step in steps]
    for bounds, printed in (
        ([1.959964] * 5, "0.142"),
        ([2.413] * 5, "0.0500"),
        (fleming, "0.0500"),
    ):
        spent = [
            repeated_look_error(steps[:looks], bounds[:looks]) for looks in range(1, len(steps) + 1)
        ]
        assert prints(spent[-1], printed)
        assert spending_boundaries(steps, spent) == pytest.approx(bounds, abs=2e-4)


def test_pocock_type_spending_gives_the_published_boundaries() -> None:
    """Lan and DeMets (1983), five equal looks at 5 % (from memory)."""
    plan = SpendingPlan(0.05, 5)
    bounds = spending_boundaries([1.0, 2, 3, 4, 5], [plan.spent_by(k) for k in range(1, 6)])
    printed = ["2.438", "2.427", "2.410", "2.397", "2.386"]
    assert all(prints(bound, text) for bound, text in zip(bounds, printed, strict=True))
