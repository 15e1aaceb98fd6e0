"""Unchanged workloads must pass together; the plan is checked by simulation."""

from __future__ import annotations

import numpy as np
import pytest

from harness.outcome import Verdict
from harness.statistics.between_runs import ComparisonSettings, WorkloadSides, compare_workloads
from harness.statistics.levels import assumed_between_boot
from harness.statistics.planning import Spread
from harness.statistics.requalification import (
    chance_all_pass,
    chance_unchanged_passes,
    plan_requalification,
)

TEN = [Spread(0.5, None)] * 10


def share_passing(
    trials: int, comparisons: int, seed: int, planned_looks: int | None = None
) -> float:
    generator = np.random.default_rng(seed)
    settings = ComparisonSettings(within_one_boot=True, planned_looks=planned_looks)
    passed = 0
    for _ in range(comparisons):
        rows = generator.normal(100.0, 0.5, (10, 2, 1, trials)).tolist()
        sides = [WorkloadSides(str(i), "1/s", *row) for i, row in enumerate(rows)]
        found = compare_workloads(sides, settings).workloads
        passed += all(item.not_slower.verdict is Verdict.PASS for item in found)
    return passed / comparisons


def test_five_trials_a_side_rarely_let_ten_unchanged_workloads_pass_together() -> None:
    """Student's pooled test would give 31 % at half a percent of spread; the real one less."""
    assert share_passing(5, 150, 1, planned_looks=1) < 0.4
    assert chance_all_pass(TEN, (1, 5), (1, 5), 1.0, level=0.05) < 0.4


def test_the_planned_trials_let_them_pass_together_in_95_percent() -> None:
    plan = plan_requalification(TEN, one_boot=True)
    assert plan.trials is not None and plan.achieved is not None
    assert plan.achieved >= 0.95
    assert share_passing(plan.trials, 200, 2) > 0.92


def test_the_chance_of_one_workload_is_what_comparisons_show() -> None:
    promised = chance_unchanged_passes(TEN[0], (1, 6), (1, 6), 1.0)
    generator = np.random.default_rng(3)
    settings = ComparisonSettings(within_one_boot=True)
    passed = 0
    for row in generator.normal(100.0, 0.5, (1500, 2, 1, 6)).tolist():
        found = compare_workloads([WorkloadSides("w", "1/s", *row)], settings).workloads[0]
        passed += found.not_slower.verdict is Verdict.PASS
    assert passed / 1500 == pytest.approx(promised, abs=0.04)


def test_a_later_look_at_the_baseline_takes_more_trials() -> None:
    first = plan_requalification(TEN, one_boot=True)
    again = plan_requalification(TEN, one_boot=True, level=0.0125)
    assert first.trials is not None and again.trials is not None
    assert again.trials > first.trials


@pytest.mark.parametrize(
    ("baseline", "again", "between"),
    [
        ((5, 10), (1, 6), 0.1),
        ((5, 4), (2, 4), 0.2),
        ((1, 9), (1, 6), 0.2),
        ((4, 5), (3, 5), 0.2),
        ((3, 10), (1, 12), 0.1),
        ((2, 8), (2, 8), 0.1),
        ((2, 8), (1, 9), 0.2),
    ],
)
def test_the_chance_over_boots_is_what_comparisons_show(
    baseline: tuple[int, int], again: tuple[int, int], between: float
) -> None:
    """Unlike sides over few boots are planned with the spreads that the comparison will use."""
    promised = chance_unchanged_passes(Spread(0.4, between), baseline, again, 1.0)
    generator = np.random.default_rng([*baseline, *again])
    settings = ComparisonSettings(between=assumed_between_boot(between))
    passed = 0
    for _ in range(600):
        sides = []
        for boots, trials in (baseline, again):
            effects = between * generator.standard_normal((boots, 1))
            sides.append(
                (100.0 + effects + 0.4 * generator.standard_normal((boots, trials))).tolist()
            )
        found = compare_workloads([WorkloadSides("w", "1/s", *sides)], settings).workloads[0]
        passed += found.not_slower.verdict is Verdict.PASS
    assert passed / 600 == pytest.approx(promised, abs=0.07)


@pytest.mark.parametrize("margin_percent", [1.0, 1.3])
def test_what_two_boots_a_side_happen_to_show_is_planned_as_the_comparison_takes_it(
    margin_percent: float,
) -> None:
    """The larger of what both sides show counts: one estimate pooled over both would promise 4 to
    8 % more."""
    shape, spread = (2, 10), Spread(0.3, 0.3)
    promised = chance_unchanged_passes(spread, shape, shape, margin_percent)
    generator = np.random.default_rng(7)
    passed = 0
    for _ in range(1500):
        effects = 0.3 * generator.standard_normal((2, 2, 1))
        rows = np.exp((effects + 0.3 * generator.standard_normal((2, *shape))) / 100.0).tolist()
        found = compare_workloads(
            [WorkloadSides("w", "1/s", *rows)], ComparisonSettings(margin_percent=margin_percent)
        )
        passed += found.workloads[0].not_slower.verdict is Verdict.PASS
    assert passed / 1500 == pytest.approx(promised, abs=0.03)


def test_a_plan_of_a_few_trials_keeps_its_promise() -> None:
    """Estimates from three trials scatter: 97 % promised of their expected spread was 87 %."""
    spreads = [Spread(0.2, 0.1)] * 10
    plan = plan_requalification(spreads, (1, 10))
    assert (plan.boots, plan.trials_per_boot) == (1, 4)
    generator = np.random.default_rng(8)
    settings = ComparisonSettings(between=assumed_between_boot(0.1))
    passed = 0
    for _ in range(200):
        sides = [
            WorkloadSides(
                str(number),
                "1/s",
                *(
                    (100.0 + 0.1 * generator.standard_normal() + row).tolist()
                    for row in (
                        0.2 * generator.standard_normal((1, 10)),
                        0.2 * generator.standard_normal((1, 4)),
                    )
                ),
            )
            for number in range(10)
        ]
        found = compare_workloads(sides, settings).workloads
        passed += all(item.not_slower.verdict is Verdict.PASS for item in found)
    assert passed / 200 > 0.94
    naive = chance_all_pass(spreads, (1, 10), (1, 3), 1.0)
    assert naive < 0.93


def test_a_small_stored_baseline_asks_for_more_trials_now() -> None:
    rich = plan_requalification(TEN, (1, 40), one_boot=True)
    poor = plan_requalification(TEN, (1, 8), one_boot=True)
    assert rich.trials is not None
    assert poor.trials is None or poor.trials > rich.trials


def test_the_noisiest_workload_sets_the_pace() -> None:
    calm = plan_requalification([Spread(0.2, None)] * 10, one_boot=True)
    one_wild = plan_requalification([Spread(0.2, None)] * 9 + [Spread(1.0, None)], one_boot=True)
    assert calm.trials is not None and one_wild.trials is not None
    assert one_wild.trials > 3 * calm.trials


def test_boots_that_differ_must_be_repeated() -> None:
    plan = plan_requalification([Spread(0.5, 0.3)] * 10)
    assert plan.boots is not None and plan.boots >= 3
    assert "10 unchanged workloads pass together in 95 % of runs" in plan.why


def test_no_spread_or_no_trials_promise_nothing() -> None:
    assert chance_unchanged_passes(Spread(0.0, None), (1, 5), (1, 5), 1.0) == 0.0
    assert chance_unchanged_passes(TEN[0], (1, 1), (1, 1), 1.0) == 0.0
    with pytest.raises(ValueError, match="margin_percent=0"):
        plan_requalification(TEN, margin_percent=0)
