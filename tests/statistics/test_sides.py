"""The variance terms of a log ratio, case by case."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.statistics.levels import BetweenBoot, assumed_between_boot, combine_variances
from harness.statistics.ratio import ratio_from_terms
from harness.statistics.sides import Side, error_terms, make_side
from harness.statistics.summary import mean_of, sd_of

ASSUMED = assumed_between_boot(0.3)


def side(*boots: list[float], better: str = "higher") -> Side:
    made = make_side(boots, better)
    assert made is not None
    return made


def jittered(boots: int, trials: int, seed: int, between: float = 0.0) -> Side:
    generator = np.random.default_rng(seed)
    effects = between * generator.standard_normal((boots, 1))
    values = 100.0 * np.exp(effects + 0.005 * generator.standard_normal((boots, trials)))
    return side(*values.tolist())


def test_seconds_are_turned_round_so_that_less_is_faster() -> None:
    slow, fast = side([2.0, 2.0], better="lower"), side([1.0, 1.0], better="lower")
    assert math.exp(fast.mean - slow.mean) == pytest.approx(2.0)


def test_values_that_are_not_positive_make_no_side_and_empty_boots_are_left_out() -> None:
    assert make_side([[1.0, 0.0]], "higher") is None
    assert side([], [1.0, 2.0]).trials == 2


def test_within_one_boot_the_terms_are_welchs() -> None:
    before, after = jittered(1, 5, 1), jittered(1, 8, 2)
    found = error_terms(before, after, None, 0.0)
    expected = [
        (sd_of(item.boots[0]) ** 2 / item.trials, item.trials - 1.0) for item in (before, after)
    ]
    for term, (variance, degrees) in zip(found.terms, expected, strict=True):
        assert term == pytest.approx((variance, degrees))


def test_dependent_trials_count_for_less() -> None:
    before, after = jittered(1, 8, 1), jittered(1, 8, 2)
    free, bound = (combine_variances(error_terms(before, after, None, c).terms) for c in (0.0, 0.4))
    assert bound[0] > 1.5 * free[0]
    assert bound[1] < free[1]


def test_three_boots_a_side_speak_for_themselves() -> None:
    before, after = jittered(3, 4, 1, 0.003), jittered(4, 4, 2, 0.003)
    found = error_terms(before, after, ASSUMED, 0.0)
    assert found.method == "Welch on boot means"
    assert found.terms[0] == pytest.approx((sd_of(before.means) ** 2 / 3, 2.0))
    assert found.terms[1] == pytest.approx((sd_of(after.means) ** 2 / 4, 3.0))


def test_one_boot_a_side_takes_the_assumption_for_both() -> None:
    found = error_terms(jittered(1, 5, 1), jittered(1, 5, 2), ASSUMED, 0.0)
    assert found.method == "assumed 0.3 % between boots"
    assert found.terms[0] == (pytest.approx(2 * 0.003**2), None)
    assert len(found.terms) == 3


def test_a_measured_spread_brings_its_degrees_of_freedom() -> None:
    measured = BetweenBoot(0.2, 3, "measured")
    found = error_terms(jittered(1, 5, 1), jittered(1, 5, 2), measured, 0.0)
    assert found.terms[0] == (pytest.approx(2 * 0.002**2), 3)


def test_two_boots_that_differ_more_than_assumed_overrule_the_assumption() -> None:
    calm, wild = jittered(2, 5, 1, 0.0005), jittered(2, 5, 4, 0.02)
    assert error_terms(calm, calm, ASSUMED, 0.0).method == "assumed 0.3 % between boots"
    found = error_terms(calm, wild, ASSUMED, 0.0)
    assert found.method.endswith("% between boots as seen here")
    assert found.terms[0][0] > 0.003**2


def test_one_boot_against_five_borrows_the_spread_of_the_five() -> None:
    five, one = jittered(5, 4, 1, 0.003), jittered(1, 4, 2)
    found = error_terms(five, one, ASSUMED, 0.0)
    assert found.method == "boot means, spread pooled over both sides"
    assert found.terms == ((pytest.approx(1.2 * sd_of(five.means) ** 2), 4.0),)


@pytest.mark.parametrize("between", [None, ASSUMED])
@pytest.mark.parametrize("boots", [1, 5])
def test_a_side_of_one_trial_does_not_borrow_the_other_sides_scatter(
    between: BetweenBoot | None, boots: int
) -> None:
    many, one = jittered(boots, 6, 1), side([100.0])
    expected = "one trial {} shows no spread, and the other side's is not borrowed for it"
    for sides, place in (((many, one), "after"), ((one, many), "before")):
        found = error_terms(*sides, between, 0.0)
        assert found.terms == ()
        assert found.reason == f"{expected.format(place)}: at least 2 are needed"


def alarms(
    shape: tuple[int, int, int, int], between: float, within: float, repeats: int = 2500
) -> float:
    """Share of comparisons of like with like that call a difference at 5 %; oracle: 5 %.

    `shape` is boots and trials a boot before, then after; spreads are in percent.
    """
    generator = np.random.default_rng([*shape, int(1000 * between)])
    called = 0
    for _ in range(repeats):
        sides = []
        for boots, trials in (shape[:2], shape[2:]):
            effects = between * generator.standard_normal((boots, 1))
            values = (effects + within * generator.standard_normal((boots, trials))) / 100.0
            sides.append(Side(tuple(map(tuple, values.tolist()))))
        found = error_terms(sides[0], sides[1], ASSUMED, 0.0)
        limits = ratio_from_terms(sides[1].mean - sides[0].mean, found.terms, 0.95, "")
        assert limits.low is not None and limits.high is not None
        called += not limits.low <= 1.0 <= limits.high
    return called / repeats


@pytest.mark.parametrize("between", [0.05, 0.3])
def test_boots_of_fewer_trials_than_those_that_showed_the_spread_scatter_more(
    between: float,
) -> None:
    """Five boots of ten trials against one of two: without what the two trials lack, 26 % of
    comparisons at the smaller spread would call a difference."""
    assert alarms((5, 10, 1, 2), between, 0.5) < 0.075


def test_boots_that_contradict_the_assumption_bring_their_degrees_of_freedom() -> None:
    """Boots that differ seven times as much as assumed: taken as known, what two a side show would
    call 13 % of like with like different."""
    calm, wild = side([100.0, 100.2], [100.5, 100.3]), side([100.0, 100.1], [103.0, 103.1])
    assert error_terms(calm, calm, ASSUMED, 0.0).terms[0][1] is None
    assert error_terms(calm, wild, ASSUMED, 0.0).terms[0][1] == 2
    assert alarms((2, 5, 2, 5), 2.0, 0.1) < 0.1
    assert alarms((2, 5, 2, 5), 0.3, 0.5) < 0.06


def test_the_part_of_the_variance_that_is_befores_is_known() -> None:
    found = error_terms(jittered(1, 5, 1), jittered(1, 500, 2), None, 0.0)
    (first, _), (second, _) = found.terms
    assert found.before_share == pytest.approx(first / (first + second))
    assert found.before_share > 0.9


@pytest.mark.parametrize("between", [None, ASSUMED])
def test_one_trial_a_side_shows_no_spread(between: BetweenBoot | None) -> None:
    found = error_terms(side([1.0]), side([2.0]), between, 0.0)
    assert found.terms == ()
    assert found.reason == "one trial a side shows no spread: at least 2 are needed"


def test_equal_trials_show_none_either() -> None:
    found = error_terms(side([1.0, 1.0]), side([2.0, 2.0]), None, 0.0)
    assert found.reason == "zero spread: the trials do not differ"


def test_each_boot_counts_alike_whatever_its_number_of_trials() -> None:
    uneven = side([100.0] * 9, [110.0])
    assert uneven.mean == pytest.approx(mean_of([math.log(100.0), math.log(110.0)]))
    assert uneven.within_degrees == 8
