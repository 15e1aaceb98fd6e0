"""Eigenvalues of tridiagonal Toeplitz matrices, shown with the conjugate-gradient operator.

Noschese, Pasquini and Reichel (2013), "Tridiagonal Toeplitz matrices: properties and novel
applications", Numer. Linear Algebra Appl. 20(2):302-326, (4): tridiag(c, a, b) has the eigenvalues
`a + 2 sqrt(bc) cos(k pi / (n + 1))`; Horn and Johnson (2013), Matrix Analysis, 2nd ed., for the
determinant n + 1 of tridiag(-1, 2, -1) and the eigenvalues of a Kronecker sum.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from workloads.conjugate_gradient import apply_laplacian
from workloads.stencil import Mode, decay

#: Eigenvalues of tridiag(-1, 2, -1) for n = 5.
FIVE = [0.267949192431123, 1.0, 2.0, 3.0, 3.732050807568877]


def dense(rows: int, columns: int) -> NDArray[np.float64]:
    """The operator's matrix on a grid of inner points, unit vector by unit vector."""
    size = rows * columns
    matrix = np.zeros((size, size))
    for place in range(size):
        u, image = np.zeros((2, rows + 2, columns + 2))
        u[1 + place // columns, 1 + place % columns] = 1.0
        apply_laplacian(u, image)
        matrix[:, place] = image[1:-1, 1:-1].ravel()
    return matrix


def tridiagonal(n: int) -> NDArray[np.float64]:
    """One row of points: the operator is tridiag(-1, 4, -1), so 2 off gives tridiag(-1, 2, -1)."""
    return dense(1, n) - 2.0 * np.eye(n)


def test_five_points_have_the_published_eigenvalues() -> None:
    assert np.allclose(np.linalg.eigvalsh(tridiagonal(5)), FIVE, rtol=0, atol=1e-14)


@pytest.mark.parametrize("n", [1, 2, 5, 12, 30])
def test_eigenvalues_follow_the_formula_and_the_determinant_is_one_more_than_n(n: int) -> None:
    found = np.linalg.eigvalsh(tridiagonal(n))
    k = np.arange(n, 0, -1)
    assert np.allclose(found, 2 + 2 * np.cos(k * np.pi / (n + 1)), rtol=0, atol=1e-13)
    assert np.linalg.det(tridiagonal(n)) == pytest.approx(n + 1, rel=1e-12)


def test_the_square_has_all_sums_of_the_lines_eigenvalues() -> None:
    sums = np.sort(np.add.outer(FIVE, FIVE).ravel())
    assert np.allclose(np.linalg.eigvalsh(dense(5, 5)), sums, rtol=0, atol=1e-13)


def test_the_heat_stencils_decay_uses_the_same_eigenvalues() -> None:
    """16 intervals have 15 inner points; the decay is 1 - r (l_p + l_q)."""
    line = np.linalg.eigvalsh(tridiagonal(15))
    for p, q in ((1, 1), (3, 8), (15, 2)):
        expected = 1.0 - 0.24 * (line[p - 1] + line[q - 1])
        assert decay(Mode(p, q, 1.0), 16) == pytest.approx(expected, rel=1e-13)
