"""The variance terms of a log ratio, case by case."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.statistics.levels import BetweenBoot, assumed_between_boot, combine_variances
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


def test_a_side_of_one_trial_borrows_the_other_sides_scatter() -> None:
    many, one = jittered(1, 6, 1), side([100.0])
    found = error_terms(many, one, None, 0.0)
    variance = sd_of(many.boots[0]) ** 2
    assert found.terms == ((pytest.approx(variance * (1 + 1 / 6)), 5.0),)


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
