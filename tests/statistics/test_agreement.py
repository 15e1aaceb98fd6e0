"""What several workloads show together of the spread between boots; statsmodels is the oracle."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.oneway import anova_oneway

from harness.statistics.agreement import (
    TOLD_LEVEL,
    LogRatio,
    scatter_p_value,
    spread_shown,
    why_contradicted,
)
from harness.statistics.between_runs import ComparisonSettings, WorkloadSides, compare_workloads
from harness.statistics.levels import BetweenBoot

SETTINGS = ComparisonSettings(planned_looks=1)


def sides_of(
    generator: np.random.Generator, between_percent: float, workloads: int = 10, boots: int = 1
) -> list[WorkloadSides]:
    """Workloads that nothing changed, each with boots of its own and five trials in each."""
    shape = (workloads, 2, boots)
    logs = between_percent * generator.standard_normal((*shape, 1))
    rows = np.exp((logs + 0.5 * generator.standard_normal((*shape, 5))) / 100.0).tolist()
    return [WorkloadSides(str(number), "1/s", *row) for number, row in enumerate(rows)]


def share_told(between_percent: float, comparisons: int, seed: int) -> float:
    generator = np.random.default_rng(seed)
    return float(
        np.mean(
            [
                bool(compare_workloads(sides_of(generator, between_percent), SETTINGS).contradicted)
                for _ in range(comparisons)
            ]
        )
    )


def test_the_p_value_is_that_of_welchs_test_of_unlike_means() -> None:
    generator = np.random.default_rng(1)
    for count in (5, 9, 14):
        groups = [generator.normal(0.0, 1.0 + place, 4 + place) for place in range(count)]
        ratios = [
            LogRatio(float(g.mean()), ((float(g.var(ddof=1)) / len(g), len(g) - 1.0),), 0.3)
            for g in groups
        ]
        expected = anova_oneway(groups, use_var="unequal", welch_correction=True).pvalue
        assert scatter_p_value(ratios) == pytest.approx(expected, rel=1e-9)


def test_errors_that_are_known_exactly_make_it_a_chi_square_test() -> None:
    ratios = [LogRatio(value, ((1.0, None),), 0.3) for value in (-2.0, -1.0, 0.0, 1.0, 2.0)]
    assert scatter_p_value(ratios) == pytest.approx(0.04042768, rel=1e-6)  # chi2(10) of 4 degrees


def test_the_spread_shown_is_what_was_put_in() -> None:
    generator = np.random.default_rng(2)
    boots = 2.0 * 0.008**2 + 2.0 * 0.001**2
    ratios = [
        LogRatio(value, ((2.0 * 0.003**2, None), (2.0 * 0.001**2, 8.0)), 0.3)
        for value in generator.normal(0.02, np.sqrt(boots), 4000)
    ]
    assert spread_shown(ratios) == pytest.approx(0.8, rel=0.05)


def test_boots_that_differ_as_assumed_are_rarely_told_of() -> None:
    assert share_told(0.3, 300, 3) <= TOLD_LEVEL + 3.0 * np.sqrt(TOLD_LEVEL * 0.99 / 300)


def test_boots_that_differ_by_three_times_as_much_are_told_of() -> None:
    assert share_told(0.9, 60, 4) > 0.8


def test_the_sentence_names_the_assumption_what_would_fit_and_both_explanations() -> None:
    found = compare_workloads(sides_of(np.random.default_rng(5), 1.5), SETTINGS).contradicted
    assert found.startswith("the ratios of 10 loads differ from one another by more than 0.3 %")
    assert "% would" in found
    assert "acts on each load differently" in found
    assert "boots of this machine differ by more than assumed" in found


def test_a_shift_that_all_share_contradicts_nothing() -> None:
    sides = [
        WorkloadSides(item.name, item.unit, item.before, [[1.05 * v for v in item.after[0]]])
        for item in sides_of(np.random.default_rng(6), 0.2)
    ]
    assert compare_workloads(sides, SETTINGS).contradicted == ""


@pytest.mark.parametrize(
    ("settings", "workloads", "boots"),
    [
        (ComparisonSettings(planned_looks=1), 4, 1),
        (ComparisonSettings(planned_looks=1), 10, 3),
        (ComparisonSettings(planned_looks=1, within_one_boot=True), 10, 1),
        (ComparisonSettings(planned_looks=1, between=BetweenBoot(0.3, 4, "measured")), 10, 1),
    ],
    ids=["four workloads", "three boots a side", "within one boot", "measured spread"],
)
def test_only_an_assumption_about_one_boot_a_side_is_held_against_many_workloads(
    settings: ComparisonSettings, workloads: int, boots: int
) -> None:
    sides = sides_of(np.random.default_rng(7), 3.0, workloads, boots)
    assert compare_workloads(sides, settings).contradicted == ""
    assert why_contradicted([]) == ""
