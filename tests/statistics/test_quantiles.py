"""Quantiles and tails; scipy.stats is the oracle in test_oracles."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.quantiles import (
    beta_quantile,
    chi2_quantile,
    f_tail,
    normal_cdf,
    normal_quantile,
    student_cdf,
    student_quantile,
    student_two_sided,
)


@given(st.floats(0.001, 0.999), st.floats(0.5, 500.0))
def test_quantiles_invert_their_distributions(probability: float, degrees: float) -> None:
    assert student_cdf(student_quantile(probability, degrees), degrees) == pytest.approx(
        probability
    )
    assert normal_cdf(normal_quantile(probability)) == pytest.approx(probability)


def test_infinite_degrees_of_freedom_are_the_normal_distribution() -> None:
    assert student_two_sided(0.95, math.inf) == pytest.approx(1.959963985)
    assert f_tail(5.0, 3, math.inf) == pytest.approx(f_tail(5.0, 3, 1e9), rel=1e-6)


def test_the_square_of_t_is_f() -> None:
    assert f_tail(student_quantile(0.975, 9) ** 2, 1, 9) == pytest.approx(0.05)


def test_a_single_degree_of_chi_square_is_a_squared_normal() -> None:
    assert chi2_quantile(0.95, 1) == pytest.approx(normal_quantile(0.975) ** 2)


def test_the_beta_quantile_of_a_uniform_is_the_probability() -> None:
    assert beta_quantile(0.3, 1, 1) == pytest.approx(0.3)
