"""Mann-Kendall and Theil-Sen; scipy is the oracle in test_oracles."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.trend import kendall_s, mann_kendall, theil_sen


def test_the_exact_chance_counts_the_permutations_with_as_large_a_trend() -> None:
    observed = [1.0, 2.0, 4.0, 3.0, 5.0]
    s = kendall_s(observed)
    permutations = list(itertools.permutations(range(5)))
    as_large = sum(abs(kendall_s(order)) >= abs(s) for order in permutations)
    found = mann_kendall(observed)
    assert found.exact
    assert found.p_value == pytest.approx(as_large / len(permutations), rel=1e-12)


def test_a_steady_climb_of_six_is_significant_at_one_percent() -> None:
    found = mann_kendall([1.0, 2, 3, 4, 5, 6])
    assert (found.s, found.tau) == (15, 1.0)
    assert found.p_value == pytest.approx(2 / math.factorial(6))


def test_two_values_show_no_trend_and_say_so() -> None:
    found = mann_kendall([1.0, 2.0])
    assert found.p_value is None
    assert found.reason == "fewer than 3 values show no trend"


def test_equal_values_show_no_trend_and_say_so() -> None:
    assert mann_kendall([5.0] * 9).reason == "zero spread"
    assert mann_kendall([]).p_value is None


def test_tied_values_use_the_normal_approximation() -> None:
    found = mann_kendall([1.0, 1.0, 2.0, 3.0, 3.0, 4.0, 5.0, 6.0])
    assert not found.exact
    assert found.p_value is not None and 0.0 < found.p_value < 0.01


def test_balanced_ups_and_downs_are_no_trend_at_all() -> None:
    assert mann_kendall([1.0, 2.0, 2.0, 1.0]).p_value == 1.0


def test_the_slope_of_a_line_is_its_slope_whatever_one_value_does() -> None:
    values = [3.0 + 0.5 * step for step in range(15)]
    values[7] = 1000.0
    found = theil_sen(values)
    assert found.slope == pytest.approx(0.5)
    assert found.low is not None and found.high is not None
    assert found.low <= 0.5 <= found.high


def test_few_values_have_a_slope_but_no_interval() -> None:
    found = theil_sen([1.0, 2.0, 4.0])
    assert found.slope == 1.5
    assert (found.low, found.high) == (None, None)
    assert found.reason == "3 values are too few for an interval of the slope"
    assert theil_sen([1.0]).reason == "one value has no slope"


def test_the_slopes_interval_covers_the_truth_as_often_as_it_claims() -> None:
    generator = np.random.default_rng(5)
    rows = generator.normal(size=(1500, 12)) + 0.3 * np.arange(12)
    limits = [theil_sen(row) for row in rows.tolist()]
    covered = np.mean([item.low <= 0.3 <= item.high for item in limits])  # type: ignore[operator]
    assert 0.93 < covered < 0.985


@given(st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=20))
def test_turning_the_series_round_turns_the_sign_and_not_the_chance(values: list[float]) -> None:
    forward, backward = mann_kendall(values), mann_kendall(values[::-1])
    assert forward.s == -backward.s
    assert forward.p_value == backward.p_value
