"""LU factorisation with partial pivoting and solution of `A x = b`, by scipy's LAPACK.

`P A = L U` (getrf), then two triangular solves (getrs): 2/3 n^3 + 2 n^2 flop a pass. A is random
normal. The last bits depend on the BLAS kernel, so the lanes agree on a golden, which the backward
errors must confirm:

- factors: `|P A - L U| <= gamma_n |L| |U|`, Higham (2002), Accuracy and Stability of Numerical
  Algorithms, 2nd ed., theorem 9.3;
- solution: `|b - A x| <= gamma_3n |L| |U| |x|`, theorem 9.4,

element by element, with `gamma_k = k u / (1 - k u)`. Where it is tighter, gamma_k gives way to
`8 sqrt(k) u`, the probabilistic form (Higham and Mary 2019, SIAM J. Sci. Comput. 41(5):A2815-A2835;
under their model exceeded with probability 2 exp(-32)). The checks' own rounding is allowed for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import sqrt
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from workloads.codepath import scipy_blas
from workloads.contract import Finding, Parameter, Parameters, whole
from workloads.digest import combine, fold
from workloads.operands import aligned, normals
from workloads.sized import SizedWorkload, StagedTask

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Matrix = NDArray[Any]

UNIT_ROUNDOFF = 2.0**-53


def rounding_bound(terms: int) -> float:
    """gamma_k for k = `terms`, or its probabilistic form where that is tighter (FP64)."""
    gamma = terms * UNIT_ROUNDOFF / (1 - terms * UNIT_ROUNDOFF)
    return min(gamma, 8 * sqrt(terms) * UNIT_ROUNDOFF)


def split_factors(factors: Matrix) -> tuple[Matrix, Matrix]:
    """Unit lower L and upper U from LAPACK's joint storage (row i, column j)."""
    lower: Matrix = np.tril(factors, -1)
    np.fill_diagonal(lower, 1.0)
    return lower, np.triu(factors)


def permuted(a: Matrix, pivots: Matrix) -> Matrix:
    """`P A`: rows exchanged in LAPACK's order, row i with row pivots[i] (from 0)."""
    order = np.arange(len(a))
    for row, other in enumerate(pivots):
        order[[row, other]] = order[[other, row]]
    result: Matrix = a[order]
    return result


def factor_residual(a: Matrix, factors: Matrix, pivots: Matrix) -> tuple[Matrix, Matrix]:
    """`|P A - L U|` and what it may be at most, both n x n."""
    lower, upper = split_factors(factors)
    size = np.abs(lower) @ np.abs(upper)
    # Once for the theorem, once for the product formed here.
    return np.abs(permuted(a, pivots) - lower @ upper), 2 * rounding_bound(len(a)) * size


def solution_residual(a: Matrix, b: Matrix, factors: Matrix, x: Matrix) -> tuple[Matrix, Matrix]:
    """`|b - A x|` and what it may be at most, both vectors of n; rows in the order of `P A`."""
    n = len(a)
    lower, upper = split_factors(factors)
    size = np.abs(lower) @ (np.abs(upper) @ np.abs(x))
    return np.abs(b - a @ x), (rounding_bound(3 * n) + rounding_bound(n)) * size


class LuTask(StagedTask):
    """One lane's system, its factors and its solution.

    LAPACK stores by columns, so `a` and `factors` here are the transposes of A and of L\\U in C
    order: element [j, i] stands in row i, column j.
    """

    def __init__(self, seed: int, n: int) -> None:
        super().__init__()
        from scipy.linalg import get_lapack_funcs

        self.n = n
        self.a = aligned(normals(seed, 0, (n, n), np.float64))
        self.b = aligned(normals(seed, 1, (n,), np.float64))
        self.factors, self.x = aligned(np.zeros((n, n))), aligned(np.zeros(n))
        self.pivots = np.zeros(n, np.int32)
        self.getrf, self.getrs = get_lapack_funcs(("getrf", "getrs"), dtype=np.float64)
        self.work_per_pass = 2.0 / 3.0 * n**3 + 2.0 * n**2

    def stages(self) -> tuple[Callable[[], None], ...]:
        """See :class:`Task`: copy the system, factorise, solve."""
        return (self._begin, self._factorise, self._solve)

    def _begin(self) -> None:
        np.copyto(self.factors, self.a)
        np.copyto(self.x, self.b)

    def _factorise(self) -> None:
        _, pivots, _ = self.getrf(self.factors.T, overwrite_a=True)
        np.copyto(self.pivots, pivots)

    def _solve(self) -> None:
        # A pivot that was corrupted since must give a wrong result, not a wild address.
        pivots = np.clip(self.pivots, 0, self.n - 1)
        self.getrs(self.factors.T, pivots, self.x, overwrite_b=True)

    def digest(self) -> int:
        """See :class:`Task`."""
        return combine(fold(self.factors), fold(self.pivots), fold(self.x))

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        return combine(fold(self.a), fold(self.b))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`."""
        return {
            "input_a": self.a,
            "input_b": self.b,
            "result_factors": self.factors,
            "result_pivots": self.pivots,
            "result_x": self.x,
        }

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`."""
        if not (np.isfinite(self.factors).all() and np.isfinite(self.x).all()):
            return (Finding("finite", False, "the factors or the solution hold NaN or infinity"),)
        pivots = np.clip(self.pivots, 0, self.n - 1)
        with np.errstate(over="ignore", invalid="ignore"):
            factors = factor_residual(self.a.T, self.factors.T, pivots)
            solution = solution_residual(self.a.T, self.b, self.factors.T, self.x)
        return (
            _finding("backward error of the factors", *factors),
            _finding("backward error of the solution", *solution),
        )


def _finding(name: str, residual: Matrix, bound: Matrix) -> Finding:
    wrong = ~(residual <= bound)
    worst = float(np.max(np.divide(residual, bound, where=bound > 0, out=np.zeros_like(bound))))
    detail = f"{int(wrong.sum())} of {wrong.size} beyond the bound, worst {worst:.2g} of it"
    if wrong.any():
        place = ", ".join(str(index[0]) for index in np.nonzero(wrong))
        detail += f", first at [{place}]"
    return Finding(name, not wrong.any(), detail)


class LuSolve(SizedWorkload):
    """FP64 LU factorisation and solution."""

    name = "lu-solve"
    version = 1
    family = "dense"
    unit = "flop"
    purpose = "matrix multiply mixed with divisions, pivot searches and row exchanges"
    check = (
        "digest agreed by the lanes and repeated passes, confirmed by the componentwise backward "
        "error bounds of the factors and of the solution (Higham 2002)"
    )
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "n": Parameter(1280, "unknowns", low=64, high=16384)
    }

    slowest_per_second = 2.5e8

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`: two matrices, and seven while the backward error is formed."""
        return 9 * 8 * whole(parameters, "n") ** 2

    def prepare(self, parameters: Parameters, seed: int) -> LuTask:
        """See :class:`Workload`."""
        return LuTask(seed, whole(parameters, "n"))

    def code_path(self, parameters: Parameters) -> str:
        """See :class:`Workload`."""
        return scipy_blas()
