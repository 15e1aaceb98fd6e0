"""Trials within boots: the two-level model, its variance components and its intervals.

Five trials after one reboot are not five reboots. What a boot fixes (memory layout, page colours,
a clock calibrated at start) stays for all its trials, so the mean of a boot has an error that no
number of trials in it reduces.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.intervals import Interval, student_interval
from harness.statistics.quantiles import f_tail
from harness.statistics.summary import mean_of, sd_of, sum_of_squares
from harness.statistics.validation import require_finite

#: Share of the mean by which boots of one machine are taken to differ when nothing is known.
ASSUMED_BETWEEN_BOOT_PERCENT = 0.3
#: Fewest earlier identical runs from which the spread between boots is measured.
RUNS_TO_MEASURE = 3


@dataclass(frozen=True)
class NestedAnova:
    """Sums and mean squares of trials within boots, balanced or not."""

    boots: int
    trials: int
    ss_between: float
    ss_within: float
    degrees_between: int
    degrees_within: int
    ms_between: float | None
    ms_within: float | None
    f: float | None
    p_value: float | None


@dataclass(frozen=True)
class VarianceComponents:
    """Variance between boots and between trials of one boot, in squared units of the values.

    `between` is clipped at 0 (`between_raw` is not); None where the data do not show it.
    """

    between: float | None
    between_raw: float | None
    within: float | None
    degrees_between: int
    degrees_within: int


@dataclass(frozen=True)
class BetweenBoot:
    """Spread between boots as a share of the mean, and what it rests on.

    `degrees` is None for an assumption, which is used as if it were known.
    """

    percent: float
    degrees: int | None
    source: str


def assumed_between_boot(percent: float = ASSUMED_BETWEEN_BOOT_PERCENT) -> BetweenBoot:
    """The declared assumption, named as such."""
    return BetweenBoot(percent, None, f"assumed {percent:g} % between boots")


def measured_between_boot(run_means: Sequence[float]) -> BetweenBoot | None:
    """Spread between boots from the means of earlier identical runs, one boot each.

    None under three runs. The spread of the means holds the error of each mean too, so it is a
    little too large rather than too small.
    """
    require_finite(run_means)
    if len(run_means) < RUNS_TO_MEASURE or mean_of(run_means) == 0.0:
        return None
    percent = 100.0 * sd_of(run_means) / abs(mean_of(run_means))
    source = f"measured {percent:.2g} % over {len(run_means)} earlier runs"
    return BetweenBoot(percent, len(run_means) - 1, source)


def nested_anova(boots: Sequence[Sequence[float]]) -> NestedAnova:
    """One-way analysis of variance of trials grouped by boot.

    NIST/SEMATECH e-Handbook 7.4.3.3; empty boots are left out.
    """
    filled = [list(boot) for boot in boots if boot]
    values = [value for boot in filled for value in boot]
    within = math.fsum(sum_of_squares(boot) for boot in filled)
    grand = mean_of(values) if values else 0.0
    between = math.fsum(len(boot) * (mean_of(boot) - grand) ** 2 for boot in filled)
    df_between, df_within = max(0, len(filled) - 1), len(values) - len(filled)
    ms_between = between / df_between if df_between else None
    ms_within = within / df_within if df_within else None
    f = p_value = None
    if ms_between is not None and ms_within:
        f = ms_between / ms_within
        p_value = f_tail(f, df_between, df_within)
    return NestedAnova(
        len(filled), len(values), between, within, df_between, df_within, ms_between, ms_within, f,
        p_value,
    )  # fmt: skip


def variance_components(boots: Sequence[Sequence[float]]) -> VarianceComponents:
    """Variance components by the method of moments, for boots of any size.

    T1^2 = S1^2 and T2^2 = S2^2 - S1^2 / r1 of Kalibera and Jones (2013), Rigorous Benchmarking in
    Reasonable Time, ISMM; with boots of unequal size r1 is n0 = (N - sum n^2 / N) / (k - 1):
    Searle, Casella and McCulloch (1992), Variance Components, section 3.6.
    """
    anova = nested_anova(boots)
    degrees = anova.degrees_between, anova.degrees_within
    if anova.ms_between is None:
        return VarianceComponents(None, None, anova.ms_within, *degrees)
    if anova.ms_within is None:
        raw = sd_of([mean_of(boot) for boot in boots if boot]) ** 2
        return VarianceComponents(raw, raw, None, *degrees)
    squares = sum(len(boot) ** 2 for boot in boots)
    size = (anova.trials - squares / anova.trials) / anova.degrees_between
    raw = (anova.ms_between - anova.ms_within) / size
    return VarianceComponents(max(0.0, raw), raw, anova.ms_within, *degrees)


def boots_interval(boots: Sequence[Sequence[float]], confidence: float = 0.95) -> Interval:
    """Mean over boots with Student's interval on the boot means (boots - 1 degrees of freedom).

    The interval of Kalibera and Jones (2013): the means of the highest level are the independent
    values. Each boot counts alike, whatever its number of trials.
    """
    means = [mean_of(boot) for boot in boots if boot]
    interval = student_interval(means, confidence)
    reason = interval.reason
    if reason is not None:
        reason = reason.replace("trials", "boots").replace("trial", "boot")
    return Interval(
        interval.estimate, interval.low, interval.high, confidence,
        f"Student over {len(means)} boots", interval.degrees, reason,
    )  # fmt: skip


def combine_variances(
    terms: Sequence[tuple[float, float | None]],
) -> tuple[float, float]:
    """Sum of independent variance estimates and its effective degrees of freedom.

    Welch-Satterthwaite: nu = (sum v)^2 / sum(v^2 / nu_i), JCGM 100:2008 (GUM), equation G.2b. A
    term whose degrees are None is known exactly. Infinite when every term is; 0 when a term with a
    variance has no degree of freedom, and then nothing may be concluded from the sum.
    """
    total = math.fsum(variance for variance, _ in terms)
    if any(variance > 0.0 and degrees == 0.0 for variance, degrees in terms):
        return total, 0.0
    spent = math.fsum(variance**2 / degrees for variance, degrees in terms if degrees)
    return total, math.inf if spent == 0.0 else total**2 / spent
