"""Plans are checked by simulating what they promise, and against statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower

from harness.statistics.between_runs import ComparisonSettings, WorkloadSides, compare_workloads
from harness.statistics.decision import Change
from harness.statistics.planning import (
    Costs,
    Plan,
    Spread,
    cheapest,
    design_of,
    detection_power,
    plan_decision,
    plan_detection,
    trials_until,
    two_sided_p_value,
    welch_degrees,
)
from harness.statistics.quantiles import student_quantile

QUIET = Spread(0.5, None)


def test_a_spread_between_boots_counts_with_the_degrees_of_freedom_it_has() -> None:
    """One boot a side: known if assumed; measured: its own. Two boots may contradict an assumption
    and know the spread badly, so nothing is promised of them."""
    assert design_of(Spread(0.5, 0.3), 2, 20).degrees == 0.0
    assert design_of(Spread(0.5, 0.3, between_degrees=2), 2, 20).degrees > 1.0
    assumed, measured = design_of(Spread(0.1, 0.3), 1, 20), design_of(Spread(0.1, 0.3, 2), 1, 20)
    assert measured.error == assumed.error
    assert measured.degrees < 3.0
    assert assumed.degrees > 100.0


def test_the_planned_trials_find_the_change_they_promise_to_find() -> None:
    plan = plan_detection(1.0, QUIET, power=0.9, one_boot=True)
    assert plan.trials is not None
    generator = np.random.default_rng(1)
    found = 0
    for _ in range(400):
        before, after = generator.normal(100.0, 0.5, (2, plan.trials))
        sides = WorkloadSides("w", "1/s", [before.tolist()], [(after * 1.01).tolist()])
        settings = ComparisonSettings(within_one_boot=True)
        found += compare_workloads([sides], settings).workloads[0].decision is Change.FASTER
    assert found / 400 > 0.88


def test_the_power_is_near_statsmodels_for_one_sample_size() -> None:
    found = detection_power(1.0, Spread(0.5, None), 1, 30, 0.05) + 0.025
    effect = math.log(1.01) / 0.005
    expected = TTestIndPower().power(effect, 30, 0.05)
    assert found == pytest.approx(expected, abs=0.01)


def test_welchs_degrees_of_freedom_are_those_that_samples_show() -> None:
    generator = np.random.default_rng(2)
    for count in (3, 5, 10):
        first, second = generator.normal(size=(2, 20000, count)).var(axis=2, ddof=1)
        degrees = (count - 1) * (first + second) ** 2 / (first**2 + second**2)
        assert degrees.mean() == pytest.approx(welch_degrees(count), rel=0.06)


def test_more_trials_and_more_boots_give_more_power() -> None:
    spread = Spread(0.5, 0.3)
    powers = [detection_power(1.0, spread, 4, trials, 0.05) for trials in (2, 5, 20)]
    assert powers == sorted(powers)
    boots = [detection_power(1.0, spread, boots, 5, 0.05) for boots in (3, 5, 9)]
    assert boots == sorted(boots)


def test_trials_cannot_replace_boots_where_boots_differ() -> None:
    plan = plan_detection(0.5, Spread(0.1, 0.3), power=0.9)
    assert plan.boots is not None and plan.boots >= 3
    alone = plan_detection(0.5, Spread(0.1, 0.3), power=0.9, one_boot=True)
    assert (alone.boots, alone.trials, alone.seconds) == (None, None, None)
    assert alone.why == (
        "no plan up to 1 boots of 200 trials reaches a 0.5 % change with 90 % power"
    )


def test_the_cheapest_mix_follows_the_costs() -> None:
    spread = Spread(0.5, 0.3)
    dear_boots = plan_detection(1.0, spread, costs=Costs(3600.0, 1.0))
    cheap_boots = plan_detection(1.0, spread, costs=Costs(1.0, 60.0))
    assert dear_boots.boots is not None and cheap_boots.boots is not None
    assert dear_boots.boots < cheap_boots.boots
    assert dear_boots.trials is not None and cheap_boots.trials is not None
    assert dear_boots.trials > cheap_boots.trials


def test_no_cheaper_mix_keeps_the_promise() -> None:
    spread, costs = Spread(0.4, 0.2), Costs(120.0, 5.0)
    plan = plan_detection(1.0, spread, costs=costs)
    assert plan.seconds is not None
    for boots in range(1, 12):
        for trials in range(2, 60):
            if costs.seconds(boots, trials) < plan.seconds:
                assert detection_power(1.0, spread, boots, trials, 0.025) < 0.9


def test_the_sentence_says_trials_boots_and_minutes() -> None:
    plan = plan_detection(1.0, QUIET, one_boot=True)
    assert plan.why == (
        f"to see a 1 % change with 90 % power, take {plan.trials} trials over 1 boot a side (2 min)"
    )


def test_a_larger_family_needs_more_trials() -> None:
    one = plan_detection(1.0, QUIET, one_boot=True)
    ten = plan_detection(1.0, QUIET, one_boot=True, workloads=10)
    assert one.trials is not None and ten.trials is not None
    assert ten.trials > one.trials


@pytest.mark.parametrize("trial_seconds", [3.0, 10.0, 60.0])
def test_where_boots_are_many_the_cheapest_mix_is_kalibera_and_jones(trial_seconds: float) -> None:
    """Oracle: ceil(sqrt((c2 / c1) * (T1^2 / T2^2))) trials a boot, Kalibera and Jones (2013)."""
    spread, costs = Spread(0.6, 0.3), Costs(300.0, trial_seconds)
    plan = plan_detection(0.35, spread, costs=costs, power=0.9)
    assert plan.boots is not None and plan.trials_per_boot is not None
    assert plan.boots > 15
    best = math.ceil(math.sqrt(300.0 / trial_seconds * (0.6 / 0.3) ** 2))
    # Boots and trials are whole numbers and the minimum is flat: what the formula costs is near.
    assert 0.6 * best <= plan.trials_per_boot <= 1.7 * best
    formula = cheapest(
        lambda boots, trials: detection_power(0.35, spread, boots, best, 0.025),
        0.9,
        Costs(300.0 + best * trial_seconds, 0.0),
        "the change",
    )
    assert plan.seconds is not None and formula.boots is not None
    assert plan.seconds <= costs.seconds(formula.boots, best)
    assert plan.seconds >= 0.9 * costs.seconds(formula.boots, best)


def test_an_estimate_on_the_fence_needs_most_and_a_clear_one_least() -> None:
    def trials(log_ratio: float) -> int:
        plan = plan_decision(log_ratio, QUIET, 1.0, level=0.05, one_boot=True)
        assert plan.trials is not None
        return plan.trials

    fence = trials(0.005)
    assert trials(0.03) < trials(0.012) < fence
    assert trials(0.0) < fence


def test_half_the_margin_decides_whatever_the_truth_is() -> None:
    plan = plan_decision(0.005, QUIET, 1.0, level=0.05, one_boot=True)
    assert plan.trials is not None
    design = design_of(QUIET, 1, plan.trials)
    assert 100.0 * student_quantile(0.975, design.degrees) * design.error <= 0.5


def test_without_degrees_of_freedom_nothing_is_promised() -> None:
    assert design_of(QUIET, 1, 1).degrees < 1.0
    assert detection_power(1.0, QUIET, 1, 1, 0.05) == 0.0
    assert plan_decision(0.0, Spread(90.0, None), 1.0, level=0.05, one_boot=True).boots is None


def test_a_goal_out_of_reach_is_no_plan() -> None:
    found = cheapest(lambda boots, trials: 0.0, 1.0, Costs(), "the moon", 3)
    assert found == Plan(None, None, None, None, found.why)


@pytest.mark.parametrize(("change", "power"), [(0.0, 0.9), (1.0, 90.0)])
def test_meaningless_goals_are_refused(change: float, power: float) -> None:
    with pytest.raises(ValueError, match="must"):
        plan_detection(change, QUIET, power=power)


def test_trials_go_on_between_the_minimum_and_the_maximum() -> None:
    values = [100.0, 101.0, 99.0, 100.5, 99.5, 100.2]
    early = trials_until(values[:2], 5.0, minimum=5, maximum=10)
    assert (early.stop, early.why) == (False, "2 of at least 5 trials")
    wide = trials_until(values, 0.01, minimum=3, maximum=10)
    assert (wide.stop, wide.why) == (False, "the interval is still too wide")
    narrow = trials_until(values, 5.0, minimum=3, maximum=10)
    assert (narrow.stop, narrow.reached) == (True, True)
    assert narrow.half_width_percent is not None and narrow.half_width_percent < 5.0
    last = trials_until(values, 0.01, minimum=3, maximum=6)
    assert (last.stop, last.reached, last.why) == (True, False, "6 trials are the maximum")


def test_trials_without_a_width_go_on_until_the_maximum() -> None:
    found = trials_until([100.0] * 4, 1.0, minimum=2, maximum=9)
    assert (found.stop, found.half_width_percent) == (False, None)


def test_a_p_value_is_two_sided() -> None:
    assert two_sided_p_value(0.0, 1.0, 5.0) == pytest.approx(1.0)
    assert two_sided_p_value(-1.96, 1.0, math.inf) == pytest.approx(0.05, abs=1e-4)
