"""Comparisons end to end, on invented values."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from harness.outcome import Verdict
from harness.statistics.between_runs import (
    ComparisonSettings,
    WorkloadComparison,
    WorkloadSides,
    compare_workloads,
    measured_spread,
)
from harness.statistics.decision import Change
from harness.statistics.dependence import DependencePrior
from harness.statistics.levels import BetweenBoot, assumed_between_boot
from harness.statistics.ratio import fieller_limits
from harness.statistics.sides import make_side

ONE_BOOT = ComparisonSettings(within_one_boot=True, planned_looks=1)
#: No widening for dependence, so that scipy's plain tests are the oracle.
PLAIN = ComparisonSettings(within_one_boot=True, planned_looks=1, prior=DependencePrior(0.0, 1e-9))


def draw(level: float, boots: int, trials: int, seed: int, sd: float = 0.5) -> list[list[float]]:
    rows: list[list[float]] = (
        np.random.default_rng(seed).normal(level, sd, (boots, trials)).tolist()
    )
    return rows


def one(
    before: list[list[float]],
    after: list[list[float]],
    settings: ComparisonSettings | None = None,
    better: str = "higher",
) -> WorkloadComparison:
    return compare_workloads(
        [WorkloadSides("w", "1/s", before, after, better)], settings
    ).workloads[0]


def test_0_3_percent_in_one_trial_a_side_is_undecided_with_a_reason() -> None:
    found = one([[100.0]], [[100.3]], ONE_BOOT)
    assert found.decision is Change.UNDECIDED
    assert found.ratio == pytest.approx(1.003)
    assert (found.low, found.high, found.trials_needed) == (None, None, None)
    assert found.reason == "one trial a side shows no spread: at least 2 are needed"


@pytest.mark.parametrize("settings", [ONE_BOOT, ComparisonSettings()])
def test_6_percent_over_five_trials_a_side_is_decided(settings: ComparisonSettings) -> None:
    found = one(draw(100.0, 1, 5, 1), draw(106.0, 1, 5, 2), settings)
    assert found.decision is Change.FASTER
    assert found.decision_low is not None and found.decision_low > 1.01
    assert (found.trials_needed, found.boots_needed, found.plan) == (None, None, None)
    assert one(draw(106.0, 1, 5, 1), draw(100.0, 1, 5, 2), settings).decision is Change.SLOWER


def test_within_one_boot_the_limits_are_scipys_welch_limits_on_logarithms() -> None:
    before, after = draw(100.0, 1, 6, 3), draw(101.0, 1, 9, 4)
    found = one(before, after, PLAIN)
    welch = stats.ttest_ind(np.log(after[0]), np.log(before[0]), equal_var=False)
    limits = welch.confidence_interval(0.95)
    assert found.low == pytest.approx(math.exp(limits.low), rel=1e-9)
    assert found.high == pytest.approx(math.exp(limits.high), rel=1e-9)
    assert found.p_value == pytest.approx(welch.pvalue, rel=1e-9)


def test_over_many_boots_the_limits_are_scipys_on_the_boot_means() -> None:
    before, after = draw(100.0, 5, 4, 3), draw(101.0, 6, 4, 4)
    found = one(before, after)
    means = [[float(np.mean(np.log(boot))) for boot in rows] for rows in (before, after)]
    limits = stats.ttest_ind(means[1], means[0], equal_var=False).confidence_interval(0.95)
    assert found.low == pytest.approx(math.exp(limits.low), rel=1e-9)
    assert found.high == pytest.approx(math.exp(limits.high), rel=1e-9)


def test_seconds_that_fall_are_faster_and_the_ratio_exceeds_one() -> None:
    found = one(draw(10.0, 1, 6, 1, 0.02), draw(9.0, 1, 6, 2, 0.02), ONE_BOOT, better="lower")
    assert found.ratio == pytest.approx(10.0 / 9.0, rel=0.01)
    assert found.decision is Change.FASTER


def test_swapping_the_sides_swaps_everything() -> None:
    before, after = draw(100.0, 3, 5, 1), draw(101.0, 4, 5, 2)
    there, back = one(before, after), one(after, before)
    assert there.ratio is not None and there.low is not None
    assert back.ratio == pytest.approx(1.0 / there.ratio)
    assert back.high == pytest.approx(1.0 / there.low)
    assert (back.boots_before, back.boots_after) == (4, 3)


def test_equal_machines_measured_well_are_equivalent() -> None:
    found = one(draw(100.0, 10, 8, 1), draw(100.0, 10, 8, 2))
    assert found.decision is Change.EQUIVALENT
    assert found.not_slower.verdict is Verdict.PASS


def test_the_scope_says_what_is_claimed_and_the_assumption_is_named() -> None:
    sides = [WorkloadSides("w", "1/s", draw(100.0, 1, 5, 1), draw(100.0, 1, 5, 2))]
    across = compare_workloads(sides)
    assert across.scope == "across boots"
    assert across.assumptions == ("spread between boots: assumed 0.3 % between boots",)
    within = compare_workloads(sides, ONE_BOOT)
    assert within.scope == "within one boot"
    assert within.assumptions == ("holds for this boot only: another boot may differ",)
    narrow, wide = within.workloads[0], across.workloads[0]
    assert narrow.low is not None and wide.low is not None
    assert wide.low < narrow.low


def test_a_family_is_judged_by_holm_and_shows_its_adjusted_limits() -> None:
    sides = [
        WorkloadSides("changed", "1/s", draw(100.0, 1, 6, 1), draw(110.0, 1, 6, 2)),
        WorkloadSides("same", "1/s", draw(100.0, 1, 6, 3), draw(100.0, 1, 6, 4)),
    ]
    changed, same = compare_workloads(sides, ONE_BOOT).workloads
    assert changed.decision is Change.FASTER
    assert changed.decision_confidence == pytest.approx(0.975)
    assert same.decision_confidence == pytest.approx(0.95)
    assert changed.low is not None and changed.decision_low is not None
    assert changed.decision_low < changed.low


def test_later_looks_are_judged_more_strictly_and_used_up_looks_decide_nothing() -> None:
    sides = [WorkloadSides("w", "1/s", draw(100.0, 1, 9, 1), draw(103.0, 1, 9, 2))]
    levels = [
        compare_workloads(sides, ComparisonSettings(within_one_boot=True, looks=look)).level
        for look in (1, 2, 3)
    ]
    assert levels[0] == pytest.approx(0.025)
    assert levels == sorted(levels, reverse=True)
    spent = ComparisonSettings(within_one_boot=True, looks=3, planned_looks=2)
    found = compare_workloads(sides, spent).workloads[0]
    assert found.decision is Change.UNDECIDED
    assert found.decision_low is None and found.low is not None
    assert found.reason == "the planned looks are used up: no error is left to spend"


def test_an_undecided_comparison_says_how_much_more_would_decide_it() -> None:
    found = one(draw(100.0, 1, 3, 5), draw(100.6, 1, 3, 6))
    assert found.decision is Change.UNDECIDED
    assert found.boots_needed is not None and found.trials_needed is not None
    assert found.boots_needed >= 2
    assert found.plan is not None and "boots" in found.plan.why


def test_the_needed_trials_decide_nearly_always() -> None:
    generator = np.random.default_rng(11)
    decided = tried = 0
    while tried < 60:
        truth = 1.0 + generator.uniform(-0.015, 0.015)
        rows = generator.normal(100.0, 0.5, (2, 4))
        first = one([rows[0].tolist()], [(rows[1] * truth).tolist()], ONE_BOOT)
        if first.decision is not Change.UNDECIDED or first.trials_needed is None:
            continue
        tried += 1
        more = generator.normal(100.0, 0.5, (2, first.trials_needed))
        again = one([more[0].tolist()], [(more[1] * truth).tolist()], ONE_BOOT)
        decided += again.decision is not Change.UNDECIDED
    # Four trials know their own spread badly, and the estimate is not the truth.
    assert decided / tried > 0.5


@pytest.mark.parametrize("better", ["higher", "lower"])
def test_boots_that_contradict_the_assumption_are_what_is_planned_with(better: str) -> None:
    """Two boots a side that differ by 3 % where 0.3 % is assumed: with the assumption, 2 trials
    over 1 boot would decide it, with ten at hand that do not."""
    before, after = [[100.0, 100.1, 99.9], [103.0, 103.1, 102.9]], [[104.0, 104.1], [101.0, 101.1]]
    found = one(before, after, better=better)
    assert found.decision is Change.UNDECIDED
    assert found.plan is not None
    assert found.trials_needed is None or (found.boots_needed or 0) > 2
    sides = [make_side(boots, better) for boots in (before, after)]
    assert sides[0] is not None and sides[1] is not None
    spread = measured_spread(sides[0], sides[1], assumed_between_boot())
    assert spread is not None and spread.between_percent is not None
    assert spread.between_percent == pytest.approx(2.07, abs=0.02)
    assert spread.between_degrees == 2


def test_a_measured_spread_is_planned_with_at_its_degrees_of_freedom() -> None:
    """Oracle: 0.2 % known from three runs needs more than 0.2 % known exactly."""
    before, after = draw(100.0, 1, 6, 31, 0.1), draw(101.2, 1, 6, 32, 0.1)
    plans = [
        one(before, after, ComparisonSettings(between=BetweenBoot(0.2, degrees, "earlier runs")))
        for degrees in (2, None)
    ]
    assert plans[0].decision is Change.UNDECIDED
    assert plans[0].boots_needed is not None and plans[0].boots_needed >= 3
    assert (plans[1].boots_needed or 0) < plans[0].boots_needed


@pytest.mark.parametrize("boots", [1, 2, 3])
@pytest.mark.parametrize("trials", [2, 6])
def test_never_are_fewer_trials_or_boots_advised_than_were_not_enough(
    boots: int, trials: int
) -> None:
    planned = 0
    for seed in range(40):
        found = one(
            draw(100.0, boots, trials, 2 * seed, 0.6), draw(100.8, boots, trials, 2 * seed + 1, 0.6)
        )
        if found.trials_needed is not None and found.boots_needed is not None:
            planned += 1
            assert found.boots_needed >= boots
            assert found.trials_needed > boots * trials
    assert planned > 5


def test_a_side_of_one_trial_is_promised_nothing() -> None:
    found = one(draw(100.0, 1, 6, 5), [[2000.0]])
    assert (found.low, found.high, found.plan, found.trials_needed) == (None, None, None, None)
    assert found.reason is not None
    assert found.reason.startswith("one trial after shows no spread")


def test_a_measured_spread_is_used_by_workload() -> None:
    between = {"w": BetweenBoot(1.0, 5, "measured 1 % over 6 earlier runs")}
    wide = one(draw(100.0, 1, 5, 1), draw(100.0, 1, 5, 2), ComparisonSettings(between=between))
    plain = one(draw(100.0, 1, 5, 1), draw(100.0, 1, 5, 2))
    assert wide.low is not None and plain.low is not None
    assert wide.low < plain.low
    assert wide.method == "measured 1 % over 6 earlier runs"


def test_fiellers_limits_are_near_the_log_scales() -> None:
    settings = ComparisonSettings(within_one_boot=True, method="fieller")
    before, after = draw(100.0, 1, 8, 1), draw(102.0, 1, 8, 2)
    fieller, log = (
        one(before, after, settings),
        one(before, after, replace(settings, method="welch")),
    )
    assert fieller.method == "Fieller, Welch on logarithms"
    assert fieller.low == pytest.approx(log.low, rel=1e-4)
    assert fieller.high == pytest.approx(log.high, rel=1e-4)
    seconds = one(before, after, settings, better="lower")
    assert seconds.ratio is not None and fieller.ratio is not None
    assert seconds.ratio == pytest.approx(1.0 / fieller.ratio)


def test_within_one_boot_fiellers_limits_are_those_of_the_means_and_their_own_errors() -> None:
    """Oracle: Fieller's theorem on arithmetic means, degrees after Welch and Satterthwaite."""
    before, after = draw(100.0, 1, 6, 3, 1.0), draw(102.0, 1, 9, 4, 0.1)
    found = one(before, after, replace(PLAIN, method="fieller"))
    means = [float(np.mean(side)) for side in (before, after)]
    errors = [float(stats.sem(side[0])) for side in (before, after)]
    ratio = means[1] / means[0]
    parts = [(ratio * errors[0]) ** 2, errors[1] ** 2]
    degrees = sum(parts) ** 2 / (parts[0] ** 2 / 5 + parts[1] ** 2 / 8)
    t = float(stats.t.ppf(0.975, degrees))
    exact = fieller_limits(means[1], means[0], errors[1], errors[0], t)
    assert exact.low is not None and exact.high is not None
    assert found.low == pytest.approx(exact.low, abs=0.01 * (exact.high - exact.low))
    assert found.high == pytest.approx(exact.high, abs=0.01 * (exact.high - exact.low))


@given(
    st.lists(st.floats(50.0, 200.0), min_size=2, max_size=9),
    st.lists(st.floats(50.0, 200.0), min_size=2, max_size=9),
    st.floats(0.01, 100.0),
)
@settings(max_examples=60, deadline=None)
def test_the_unit_of_the_values_does_not_matter(
    before: list[float], after: list[float], factor: float
) -> None:
    plain = one([before], [after], ONE_BOOT)
    scaled = one([[v * factor for v in before]], [[v * factor for v in after]], ONE_BOOT)
    assert scaled.ratio == pytest.approx(plain.ratio, rel=1e-9)
    if plain.low is not None and scaled.low is not None and plain.low > 1e-50:
        assert scaled.low == pytest.approx(plain.low, rel=1e-4)


def test_a_later_look_must_show_more_to_pass_as_not_slower_or_to_fail() -> None:
    rows = draw(100.0, 1, 8, 1), draw(100.0, 1, 8, 2)
    found = [
        one(*rows, ComparisonSettings(within_one_boot=True, looks=look, planned_looks=planned))
        for look, planned in ((1, 1), (1, None), (9, None), (2, 1))
    ]
    verdicts = [item.not_slower.verdict for item in found]
    assert verdicts == [Verdict.PASS, Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.INCONCLUSIVE]
    assert found[-1].not_slower.why == "the planned looks are used up: no error is left to spend"
    worse = draw(100.0, 1, 6, 1), draw(97.5, 1, 6, 2)
    again = [
        one(*worse, ComparisonSettings(within_one_boot=True, looks=look)).not_slower.verdict
        for look in (1, 8)
    ]
    assert again == [Verdict.FAIL, Verdict.INCONCLUSIVE]


def test_what_is_needed_is_planned_at_the_level_of_the_next_look() -> None:
    rows = draw(100.0, 1, 4, 5), draw(100.6, 1, 4, 6)
    needed = []
    for look in (1, 2, 4):
        found = one(*rows, ComparisonSettings(within_one_boot=True, looks=look))
        assert found.trials_needed is not None
        needed.append(found.trials_needed)
    assert needed == sorted(set(needed))
    last = one(*rows, ONE_BOOT)
    assert last.plan is not None
    assert last.plan.why.endswith("in a new comparison: the planned looks end here")


def test_growing_data_whose_growth_is_known_leave_a_look_more_error() -> None:
    rows = draw(100.0, 1, 6, 1), draw(100.6, 1, 6, 2)
    blind, knowing = (
        one(*rows, ComparisonSettings(within_one_boot=True, looks=2, information=information))
        for information in (None, (1.0, 2.0))
    )
    assert blind.decision_confidence == pytest.approx(1.0 - 0.0125)
    assert knowing.decision_confidence < blind.decision_confidence


def test_not_slower_is_guard_banded_at_the_margin() -> None:
    slow = one(draw(100.0, 1, 8, 1), draw(97.0, 1, 8, 2), ONE_BOOT)
    assert slow.not_slower.verdict is Verdict.FAIL
    blurred = one(draw(100.0, 1, 3, 1, 2.0), draw(99.5, 1, 3, 2, 2.0), ONE_BOOT)
    assert blurred.not_slower.verdict is Verdict.INCONCLUSIVE


def test_a_side_without_trials_or_with_a_value_of_zero_is_undecided_and_says_why() -> None:
    missing = one([], draw(100.0, 1, 5, 1))
    assert (missing.ratio, missing.reason) == (None, "no trial on one side")
    zero = one([[0.0, 1.0]], draw(100.0, 1, 5, 1))
    assert (zero.ratio, zero.reason) == (None, "a ratio needs positive values")
    assert zero.decision is Change.UNDECIDED
    nothing = compare_workloads([])
    assert nothing.overall.ratio is None
    assert nothing.overall.reason == "no workload holds an interval"


def test_unknown_words_are_refused() -> None:
    with pytest.raises(ValueError, match="better='more' of w"):
        one(draw(1.0, 1, 2, 1, 0.01), draw(1.0, 1, 2, 1, 0.01), better="more")
    with pytest.raises(ValueError, match="method='guess'"):
        ComparisonSettings(method="guess")
    with pytest.raises(ValueError, match="margin_percent=0"):
        ComparisonSettings(margin_percent=0)
