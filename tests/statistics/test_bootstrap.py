"""The BCa bootstrap; the book's example is in tests/published, scipy in test_oracles."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.statistics.bootstrap import bca_level, bca_limits, expanded_tail

VALUES = [3.0, 5.0, 4.5, 8.0, 2.0, 4.0, 6.5, 3.5, 4.8, 5.5]


def medians(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.median(values, axis=-1))


def test_the_same_seed_gives_the_same_limits_and_another_seed_nearly() -> None:
    first, again, other = (bca_limits(VALUES, seed=seed) for seed in (1, 1, 2))
    assert first == again
    assert first.low is not None and other.low is not None
    assert other.low == pytest.approx(first.low, abs=0.1)


def test_any_statistic_of_rows_can_be_asked_for() -> None:
    found = bca_limits(VALUES, 0.9, medians)
    assert found.estimate == 4.65
    assert found.low is not None and found.high is not None
    assert 3.0 <= found.low < 4.65 < found.high <= 6.5


def test_without_bias_and_acceleration_the_levels_are_the_nominal_ones() -> None:
    assert bca_level(0.025, 0.0, 0.0) == pytest.approx(0.025)


def test_expanded_levels_reach_further_out_for_few_values_and_not_for_many() -> None:
    assert expanded_tail(10, 0.95) < 0.012
    assert expanded_tail(10000, 0.95) == pytest.approx(0.025, rel=0.01)
    plain, wide = (bca_limits(VALUES, expand=expand) for expand in (False, True))
    assert plain.low is not None and wide.low is not None
    assert wide.low < plain.low


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 2.0], [4.0] * 9])
def test_too_few_or_equal_values_have_no_limits(values: list[float]) -> None:
    found = bca_limits(values)
    assert (found.low, found.high) == (None, None)
    assert found.reason == "too few differing values"
