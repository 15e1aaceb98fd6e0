"""Quantiles and tails; scipy.stats is the oracle in test_oracles."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics import quantiles
from harness.statistics.quantiles import (
    beta_quantile,
    chi2_quantile,
    f_tail,
    noncentral_student_cdf,
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
    assert noncentral_student_cdf(2.0, math.inf, 1.0) == pytest.approx(normal_cdf(1.0))


def test_the_square_of_t_is_f() -> None:
    assert f_tail(student_quantile(0.975, 9) ** 2, 1, 9) == pytest.approx(0.05)


def test_a_single_degree_of_chi_square_is_a_squared_normal() -> None:
    assert chi2_quantile(0.95, 1) == pytest.approx(normal_quantile(0.975) ** 2)


def test_the_beta_quantile_of_a_uniform_is_the_probability() -> None:
    assert beta_quantile(0.3, 1, 1) == pytest.approx(0.3)


def test_noncentral_t_without_shift_is_students() -> None:
    assert noncentral_student_cdf(1.3, 7.0, 0.0) == pytest.approx(student_cdf(1.3, 7.0))


@pytest.mark.parametrize(("value", "degrees", "shift"), [(2.0, 5.0, 3.0), (3.0, 30.0, 1.0)])
def test_the_quadrature_that_stands_in_for_nan_agrees_where_both_work(
    value: float, degrees: float, shift: float
) -> None:
    stand_in = quantiles._noncentral_by_quadrature(value, degrees, shift)
    assert stand_in == pytest.approx(noncentral_student_cdf(value, degrees, shift), abs=1e-5)


@given(st.floats(-30.0, 30.0), st.floats(1.0, 300.0), st.floats(0.0, 60.0))
def test_noncentral_t_is_never_nan(value: float, degrees: float, shift: float) -> None:
    assert 0.0 <= noncentral_student_cdf(value, degrees, shift) <= 1.0 + 1e-9
