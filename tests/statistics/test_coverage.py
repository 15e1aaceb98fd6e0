"""A short, seeded slice of the simulation study: intervals are right as often as they claim.

The full study is `tests/bench/study_coverage.py`. Limits here leave three standard errors of
Monte Carlo around the targets: 93.5 to 96.5 percent covered, at most 5 percent of normal data and
30 percent of other data without an answer, at most 5 percent false alarms.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))

from study_populations import TARGETED, Population
from study_scenarios import (
    alarms_over_looks,
    compare_same,
    found_share,
    pass_together_share,
    run_coverage,
)

from harness.statistics.between_runs import ComparisonSettings
from harness.statistics.levels import BetweenBoot
from harness.statistics.planning import Spread, plan_detection
from harness.statistics.requalification import plan_requalification

NORMAL = TARGETED[0]
PLAIN_TEST_SETTINGS = ComparisonSettings(planned_looks=1, margin_percent=1e-6)


def slack(share: float, number: int) -> float:
    """Three standard errors of a share of `number` trials."""
    return 3.0 * math.sqrt(share * (1.0 - share) / number)


@pytest.mark.parametrize("population", TARGETED, ids=lambda population: population.name)
@pytest.mark.parametrize("trials", [5, 12, 30])
def test_intervals_of_one_boot_cover_what_they_claim(population: Population, trials: int) -> None:
    found = run_coverage(population, trials, runs=600 // trials, seed=11)
    margin = slack(0.95, found.intervals)
    assert 0.935 - margin < found.covered < 0.965 + margin
    assert found.silent <= (0.05 if population.family == "normal" else 0.30)


@pytest.mark.parametrize("population", TARGETED, ids=lambda population: population.name)
def test_intervals_over_boots_cover_what_they_claim(population: Population) -> None:
    found = run_coverage(population, 5, runs=40, boots=4, seed=12)
    margin = slack(0.95, found.intervals)
    assert 0.935 - margin < found.covered < 0.965 + margin
    assert found.silent <= 0.05


@pytest.mark.parametrize("boots", [1, 4])
def test_a_machine_compared_with_itself_is_called_different_in_at_most_5_percent(
    boots: int,
) -> None:
    found = compare_same(NORMAL, boots, 5, PLAIN_TEST_SETTINGS, comparisons=60, seed=13)
    assert found.family_alarm_share <= 0.05 + slack(0.05, 60)
    assert found.alarm_share < 0.03
    assert found.coverage.covered > 0.935 - slack(0.95, found.coverage.intervals)


def test_ignoring_the_spread_between_boots_calls_differences_that_are_not_there() -> None:
    ignored = ComparisonSettings(within_one_boot=True, planned_looks=1, margin_percent=1e-6)
    found = compare_same(NORMAL, 1, 10, ignored, comparisons=250, workloads=1, seed=14)
    assert found.alarm_share > 0.14
    widened = compare_same(
        NORMAL, 1, 10, PLAIN_TEST_SETTINGS, comparisons=250, workloads=1, seed=14
    )
    assert widened.alarm_share <= 0.05 + slack(0.05, 250)


def test_a_true_1_percent_change_is_found_with_the_planners_trials() -> None:
    plan = plan_detection(1.0, Spread(0.5, 0.3), power=0.9)
    settings = ComparisonSettings(between=BetweenBoot(0.3, None, "known"))
    share = found_share(NORMAL, plan, 1.0, settings, comparisons=400, between_sd=0.3, seed=15)
    assert share >= 0.9 - slack(0.9, 400)


def test_ten_unchanged_workloads_pass_together_with_the_planners_trials() -> None:
    plan = plan_requalification([Spread(0.5, None)] * 10, one_boot=True)
    settings = ComparisonSettings(within_one_boot=True)
    share = pass_together_share(NORMAL, plan, settings, comparisons=80, between_sd=0.0, seed=16)
    assert share >= 0.95 - slack(0.95, 80)


def test_five_counted_looks_together_keep_to_5_percent_and_five_free_ones_do_not() -> None:
    counted = alarms_over_looks(NORMAL, 5, 6, comparisons=250, free=False, seed=17)
    free = alarms_over_looks(NORMAL, 5, 6, comparisons=250, free=True, seed=17)
    assert counted <= 0.05 + slack(0.05, 250)
    assert free > counted
    assert free > 0.07
