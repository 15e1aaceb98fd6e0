"""Published facts about dense linear algebra, shown with the workloads' own code.

- Huang and Abraham (1984), "Algorithm-based fault tolerance for matrix operations", IEEE Trans.
  Computers C-33(6):518-528: the full-checksum product locates and corrects one wrong element.
- Freivalds (1977), "Probabilistic machines can use less running time", IFIP Congress 77: a wrong
  product passes k random checks with probability 2^-k at most.
- Higham (2002), Accuracy and Stability of Numerical Algorithms, 2nd ed., theorems 9.3 and 9.4, and
  Wilkinson (1961), J. ACM 8(3):281-330: growth 2^(n-1) is attained under partial pivoting.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray

from workloads.lu import LuTask, factor_residual, solution_residual, split_factors
from workloads.matmul import checksum_findings, exact_checksums

A = np.array([[1, 2], [3, 4]])
B = np.array([[5, 6], [7, 8]])
NOTHING_WRONG = np.zeros((2, 2), bool)


def test_the_checksums_are_those_of_huang_and_abrahams_full_checksum_product() -> None:
    """[1 2; 3 4] [5 6; 7 8] with checksums: rows 19 22 41, 43 50 93, 62 72 134."""
    sums = exact_checksums(A, B, np.array([1, 1]))
    assert (A @ B).tolist() == [[19, 22], [43, 50]]
    assert sums.rows.tolist() == [41, 93]
    assert sums.columns.tolist() == [62, 72]
    assert sums.rows.sum() == sums.columns.sum() == 134


@pytest.mark.parametrize(("row", "column"), list(product(range(2), repeat=2)))
def test_one_wrong_element_breaks_one_row_and_one_column_sum(row: int, column: int) -> None:
    sums = exact_checksums(A, B, np.array([1, 1]))
    c = A @ B
    c[row, column] += 9
    located, _ = checksum_findings(c, sums, NOTHING_WRONG)
    assert located.detail == (
        f"1 of 2 row sums differ, first row {row}; 1 of 2 column sums differ, first column {column}"
    )
    assert c[row, column] - (c[row].sum() - sums.rows[row]) == (A @ B)[row, column]


def test_any_three_wrong_elements_are_detected() -> None:
    """The full-checksum code has distance 4; three errors cannot look like none."""
    for places in product(range(4), repeat=3):
        for errors in product((-2, -1, 1, 2), repeat=3):
            c = A @ B
            np.add.at(c.reshape(-1), list(places), errors)
            sums = exact_checksums(A, B, np.array([1, 1]))
            located, _ = checksum_findings(c, sums, NOTHING_WRONG)
            assert located.ok == bool((c == A @ B).all())


def accepted(error: list[int], choices: tuple[int, ...]) -> float:
    """Share of all check vectors for which a product wrong by `error` in row 0 passes."""
    size = len(error)
    zero = np.zeros((size, size), np.int64)
    wrong = zero.copy()
    wrong[0] = error
    passed = []
    for signs in product(choices, repeat=size):
        sums = exact_checksums(zero, zero, np.array(signs))
        passed.append(checksum_findings(wrong, sums, np.zeros((size, size), bool))[1].ok)
    return float(np.mean(passed))


@pytest.mark.parametrize(
    ("error", "choices", "share"),
    [
        ([1, 0, 0, 0], (0, 1), 0.5),
        ([1, -1, 0, 0], (0, 1), 0.5),
        ([1, 1, -1, -1], (0, 1), 0.375),
        ([1, 0, 0, 0], (-1, 1), 0.0),
        ([1, -1, 0, 0], (-1, 1), 0.5),
    ],
)
def test_freivalds_check_accepts_a_wrong_product_as_often_as_counted(
    error: list[int], choices: tuple[int, ...], share: float
) -> None:
    """Exhaustive over all vectors; every share respects the bound of 1/2."""
    assert accepted(error, choices) == share <= 0.5


def wilkinson(n: int) -> NDArray[np.float64]:
    """1 on the diagonal and in the last column, -1 below the diagonal."""
    a = np.eye(n) - np.tril(np.ones((n, n)), -1)
    a[:, -1] = 1.0
    return a


def solved(a: NDArray[np.float64], seed: int = 1) -> LuTask:
    task = LuTask(seed, len(a))
    task.a[:] = a.T
    task.execute()
    return task


def test_wilkinsons_matrix_of_24_grows_to_8388608_and_keeps_its_backward_error() -> None:
    task = solved(wilkinson(24))
    _, upper = split_factors(task.factors.T)
    assert np.abs(upper).max() / np.abs(task.a).max() == 8388608.0
    assert all(finding.ok for finding in task.invariants())


@pytest.mark.parametrize("n", [2, 10, 40])
def test_growth_of_wilkinsons_matrix_is_the_largest_partial_pivoting_allows(n: int) -> None:
    _, upper = split_factors(solved(wilkinson(n)).factors.T)
    assert np.abs(upper).max() == 2.0 ** (n - 1)


def gamma(k: int) -> float:
    u = 2.0**-53
    return k * u / (1 - k * u)


@pytest.mark.parametrize(
    ("n", "factors", "solution"), [(50, 0.04, 0.006), (200, 0.012, 0.0005), (500, 0.006, 0.0004)]
)
def test_backward_errors_are_below_highams_bounds_by_the_usual_margin(
    n: int, factors: float, solution: float
) -> None:
    """Shares of gamma_n |L||U| and gamma_3n |L||U||x| seen for Gaussian matrices (recomputed)."""
    task = solved(np.random.default_rng(n).standard_normal((n, n)))
    lower, upper = split_factors(task.factors.T)
    size = np.abs(lower) @ np.abs(upper)
    residual, _ = factor_residual(task.a.T, task.factors.T, task.pivots)
    share = np.max(residual / (gamma(n) * size))
    assert share < 1.0
    assert factors / 4 < share < factors * 4
    residual, _ = solution_residual(task.a.T, task.b, task.factors.T, task.x)
    share = np.max(residual / (gamma(3 * n) * np.max(size @ np.abs(task.x))))
    assert share < 1.0
    assert share < solution * 4
