"""Conjugate gradients on the five-point Laplacian: `A x = b`, a fixed number of iterations a pass.

A is the two-dimensional Laplacian on the (N - 1)^2 inner points of a square, a Kronecker sum of
two Toeplitz matrices tridiag(-1, 2, -1); its eigenvalues are
`4 - 2 cos(i pi / N) - 2 cos(j pi / N)`, Noschese, Pasquini and Reichel (2013), "Tridiagonal
Toeplitz matrices", Numer. Linear Algebra Appl. 20(2):302-326. The method is Hestenes and Stiefel
(1952), J. Res. Nat. Bur. Standards 49(6):409-436. Sums run in 32 interleaved columns in a fixed
order, so they vectorise and have the same bits everywhere, and the golden digest ships.

Work is counted as 16 flop a point and iteration: 6 for the product with A, 4 for two scalar
products, 6 for three vector updates.

Invariants of the solution, by a product with A formed anew:

- the true residual `|b - A x|` differs from the one the recurrence carries along by at most
  `c k u |A| |x|` after k iterations, Greenbaum (1997), SIAM J. Matrix Anal. Appl. 18(3):535-551
  (c = 10 is generous for an A of five entries a row; |x| is the exact solution's, which no
  iterate exceeds, Steihaug 1983, SIAM J. Numer. Anal. 20(3):626-637);
- it has fallen at least as the classical bound says,
  `|r_k| <= 2 sqrt(kappa) ((sqrt(kappa) - 1) / (sqrt(kappa) + 1))^k |r_0|`, Saad (2003), Iterative
  Methods for Sparse Linear Systems, 2nd ed., (6.128), with sqrt(kappa) from the 2-norm of r.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import pi, tan
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numba import njit

from workloads.contract import Finding, Parameter, Parameters, Value, whole
from workloads.digest import combine, fold
from workloads.operands import aligned, uniforms
from workloads.sized import PARTS, PartedTask, SizedWorkload, require_at_most, require_multiple

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Grid = NDArray[np.float64]

_UNIT_ROUNDOFF = 2.0**-53
_FLOP_PER_POINT = 16
_PAGE_BYTES = 4096
_MOST_PER_INTERVAL = 8
#: The largest eigenvalue of A is below 8.
_NORM = 8.0

# Digests for seed 1 by (intervals, iterations), remade in the tests with whole-array operations.
_GOLDENS: dict[tuple[int, ...], int] = {(128, 384): 0x1FD3B37ED085F8E1}


@njit(cache=True, nogil=True)
def apply_laplacian(u, out):  # type: ignore[no-untyped-def]
    """`out = A u` on the inner points; grids (N + 1) x (N + 1) with edges 0, which stay."""
    side = u.shape[1]
    for row in range(1, u.shape[0] - 1):
        up, down = u[row - 1, 1 : side - 1], u[row + 1, 1 : side - 1]
        left, middle, right = u[row, : side - 2], u[row, 1 : side - 1], u[row, 2:]
        new = out[row, 1 : side - 1]
        for column in range(side - 2):
            around = (up[column] + down[column]) + (left[column] + right[column])
            new[column] = 4.0 * middle[column] - around


@njit(cache=True, nogil=True)
def scalar_product(a, b):  # type: ignore[no-untyped-def]
    """Sum of `a[i] b[i]` in 32 columns, then the columns in order, then the rest."""
    sums = np.zeros(32)
    blocks = a.size // 32
    for block in range(blocks):
        left, right = a[block * 32 : block * 32 + 32], b[block * 32 : block * 32 + 32]
        for column in range(32):
            sums[column] += left[column] * right[column]
    total = 0.0
    for column in range(32):
        total += sums[column]
    for rest in range(blocks * 32, a.size):
        total += a[rest] * b[rest]
    return total


@njit(cache=True, nogil=True)
def _update(target, factor, source):  # type: ignore[no-untyped-def]
    for place in range(target.size):
        target[place] += factor * source[place]


@njit(cache=True, nogil=True)
def _turn(direction, factor, residual):  # type: ignore[no-untyped-def]
    for place in range(direction.size):
        direction[place] = residual[place] + factor * direction[place]


@njit(cache=True, nogil=True)
def _iterate(x, residual, direction, product, iterations):  # type: ignore[no-untyped-def]
    """Hestenes and Stiefel's iteration; the same work in each, also when the residual is 0."""
    flat_x, flat_residual = x.reshape(-1), residual.reshape(-1)
    flat_direction, flat_product = direction.reshape(-1), product.reshape(-1)
    old = scalar_product(flat_residual, flat_residual)
    for _ in range(iterations):
        apply_laplacian(direction, product)
        curvature = scalar_product(flat_direction, flat_product)
        step = old / curvature if curvature != 0.0 else 0.0
        _update(flat_x, step, flat_direction)
        _update(flat_residual, -step, flat_product)
        new = scalar_product(flat_residual, flat_residual)
        _turn(flat_direction, new / old if old != 0.0 else 0.0, flat_residual)
        old = new


class ConjugateGradientTask(PartedTask):
    """One lane's right-hand side, solution, residual, direction and product."""

    def __init__(self, seed: int, intervals: int, iterations: int) -> None:
        super().__init__()
        self.intervals, self.iterations = intervals, iterations
        shape = (intervals + 1, intervals + 1)
        solution = np.zeros(shape)
        solution[1:-1, 1:-1] = uniforms(seed, 0, (intervals - 1, intervals - 1), np.float64)
        self.b = np.zeros(shape)
        apply_laplacian(solution, self.b)
        self.size = float(np.linalg.norm(solution))
        grids = [aligned(np.zeros(shape), _PAGE_BYTES, place * 1024) for place in range(4)]
        self.x, self.residual, self.direction, self.product = grids
        self.work_per_pass = float(_FLOP_PER_POINT * (intervals - 1) ** 2 * iterations)

    def _begin(self) -> None:
        """Start from x = 0."""
        self.x.fill(0.0)
        self.product.fill(0.0)
        np.copyto(self.residual, self.b)
        np.copyto(self.direction, self.b)

    def _part(self) -> None:
        iterations = self.iterations // PARTS
        _iterate(self.x, self.residual, self.direction, self.product, iterations)

    def digest(self) -> int:
        """See :class:`Task`."""
        return combine(fold(self.x), fold(self.residual), fold(self.direction))

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        return fold(self.b)

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`; between the parts the results hold the state so far."""
        return {
            "input_b": self.b,
            "intermediate_product": self.product,
            "result_x": self.x,
            "result_residual": self.residual,
            "result_direction": self.direction,
        }

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`."""
        product = np.zeros_like(self.b)
        with np.errstate(over="ignore", invalid="ignore"):
            apply_laplacian(self.x, product)
            found = float(np.linalg.norm(self.b - product))
            carried = float(np.linalg.norm(self.residual))
        rounding = 10 * self.iterations * _UNIT_ROUNDOFF * _NORM * self.size
        start = float(np.linalg.norm(self.b))
        bound = residual_bound(self.intervals, self.iterations) * start + rounding
        said = f"|b - Ax| = {found:.3g}"
        return (
            Finding(
                "residual",
                abs(found - carried) <= rounding,
                f"{said}, carried along {carried:.3g}, rounding up to {rounding:.3g}",
            ),
            Finding("convergence", found <= bound, f"{said}, at most {bound:.3g} by theory"),
        )


def residual_bound(intervals: int, iterations: int) -> float:
    """What `|r_k| / |r_0|` is at most in exact arithmetic (module docstring)."""
    # sqrt(kappa) = cot(pi / 2N): the extreme eigenvalues are 8 sin^2 and 8 cos^2 of pi / 2N.
    root = 1.0 / tan(pi / (2 * intervals))
    return float(2.0 * root * ((root - 1.0) / (root + 1.0)) ** iterations)


class ConjugateGradient(SizedWorkload):
    """FP64 conjugate gradients."""

    name = "conjugate-gradient"
    version = 1
    family = "sparse"
    unit = "flop"
    purpose = "short vectors of the L2 cache read and written in turn, with sums between"
    check = "digest of the solution; its true residual against the one carried along"
    shipped_golden = True
    goldens = _GOLDENS
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "intervals": Parameter(128, "of a side", low=16, high=8192),
        "iterations": Parameter(
            384,
            "in a pass, a multiple of 4; 3 an interval converge, 8 at most",
            low=4,
            high=8 * 8192,
        ),
    }
    slowest_per_second = 1e8

    def complete(self, given: Mapping[str, Any]) -> dict[str, Value]:
        """See :class:`Workload`; also iterations that the classical bound can tell apart.

        After some 9 an interval it has fallen below what rounding leaves of the residual.
        """
        values = super().complete(given)
        require_multiple(values, "iterations")
        most = _MOST_PER_INTERVAL * whole(values, "intervals")
        why = f"it has converged long before: {_MOST_PER_INTERVAL} an interval suffice"
        require_at_most(values, "iterations", most, why, PARTS)
        return values

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`: five grids, and three for the residual."""
        return 8 * 8 * (whole(parameters, "intervals") + 1) ** 2 + 5 * _PAGE_BYTES

    def prepare(self, parameters: Parameters, seed: int) -> ConjugateGradientTask:
        """See :class:`Workload`."""
        intervals, iterations = whole(parameters, "intervals"), whole(parameters, "iterations")
        return ConjugateGradientTask(seed, intervals, iterations)
