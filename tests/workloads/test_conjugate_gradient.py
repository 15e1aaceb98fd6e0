"""Conjugate gradients: golden from whole-array arithmetic, a direct solver as oracle, flips."""

from __future__ import annotations

import numpy as np
import pytest
from bit_flips import FLIPS
from numeric_loads import BY_NAME, flip_between_stages
from numpy.typing import NDArray
from scipy.sparse import csc_array, diags_array, eye_array, kron
from scipy.sparse.linalg import spsolve

from workloads.conjugate_gradient import (
    ConjugateGradient,
    ConjugateGradientTask,
    _iterate,
    apply_laplacian,
    residual_bound,
    scalar_product,
)
from workloads.digest import combine, fold

Grid = NDArray[np.float64]


def product(u: Grid) -> Grid:
    around = (u[:-2, 1:-1] + u[2:, 1:-1]) + (u[1:-1, :-2] + u[1:-1, 2:])
    return np.pad(4.0 * u[1:-1, 1:-1] - around, 1)


def dot(a: Grid, b: Grid) -> float:
    """32 columns summed row by row, then the columns from left to right, then what is left."""
    terms = a.ravel() * b.ravel()
    whole = terms.size // 32 * 32
    columns = np.zeros(32)
    for row in terms[:whole].reshape(-1, 32):
        columns = columns + row
    total = 0.0
    for term in (*columns.tolist(), *terms[whole:].tolist()):
        total += term
    return total


def oracle(b: Grid, iterations: int) -> int:
    """Hestenes and Stiefel's iteration on whole arrays."""
    x, residual, direction = np.zeros_like(b), b.copy(), b.copy()
    old = dot(residual, residual)
    for _ in range(iterations):
        image = product(direction)
        step = old / dot(direction, image)
        x = x + step * direction
        residual = residual + -step * image
        new = dot(residual, residual)
        direction = residual + new / old * direction
        old = new
    return combine(fold(x), fold(residual), fold(direction))


def sparse_laplacian(intervals: int) -> csc_array:
    inner = intervals - 1
    line = diags_array([-1.0, 2.0, -1.0], offsets=[-1, 0, 1], shape=(inner, inner))
    whole = eye_array(inner)
    return csc_array(kron(line, whole) + kron(whole, line))


def test_the_shipped_golden_is_whole_array_arithmetics() -> None:
    workload = ConjugateGradient()
    defaults = workload.complete({})
    task = workload.prepare(defaults, 1)
    assert oracle(task.b, task.iterations) == workload.golden(defaults, 1)


def test_the_solution_is_a_direct_solvers() -> None:
    task = ConjugateGradient().prepare({"intervals": 32, "iterations": 128}, 4)
    task.execute()
    right = spsolve(sparse_laplacian(32), task.b[1:-1, 1:-1].ravel())
    assert np.abs(task.x[1:-1, 1:-1].ravel() - right).max() < 1e-10
    assert not task.x[[0, -1]].any()


def test_the_product_is_the_kronecker_sums() -> None:
    u, found = np.zeros((10, 10)), np.zeros((10, 10))
    u[1:-1, 1:-1] = np.random.default_rng(1).standard_normal((8, 8))
    apply_laplacian(u, found)
    right = sparse_laplacian(9) @ u[1:-1, 1:-1].ravel()
    assert np.abs(found[1:-1, 1:-1].ravel() - right).max() < 1e-14


@pytest.mark.parametrize("size", [0, 1, 31, 32, 33, 1000])
def test_the_scalar_product_sums_in_a_fixed_order(size: int) -> None:
    a, b = np.random.default_rng(size).standard_normal((2, size))
    assert scalar_product(a, b) == dot(a, b)


@pytest.mark.parametrize(("intervals", "iterations"), [(16, 4), (16, 48), (64, 64), (64, 256)])
def test_the_invariants_hold_before_and_after_convergence(intervals: int, iterations: int) -> None:
    for seed in range(1, 6):
        task = ConjugateGradient().prepare({"intervals": intervals, "iterations": iterations}, seed)
        task.execute()
        assert all(finding.ok for finding in task.invariants())


def test_iterating_far_beyond_convergence_stays_finite_and_repeatable() -> None:
    task = ConjugateGradient().prepare({"intervals": 16, "iterations": 4000}, 1)
    task.execute()
    first = task.digest()
    assert np.isfinite(task.x).all()
    task.execute()
    assert task.digest() == first
    assert all(finding.ok for finding in task.invariants())


def damaged(name: str, change: float) -> ConjugateGradientTask:
    task = ConjugateGradient().prepare({"intervals": 24, "iterations": 96}, 1)
    task.execute()
    task.buffers()[name][12, 7] += change
    return task


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("result_x", 1e-6),
        ("result_x", np.nan),
        ("result_x", 1e308),
        ("result_residual", 1e-6),
        ("result_residual", np.inf),
    ],
)
def test_a_solution_and_a_residual_that_disagree_are_found(name: str, change: float) -> None:
    residual, _ = damaged(name, change).invariants()
    assert not residual.ok
    assert residual.detail.startswith("|b - Ax| = ")


def test_a_solution_that_did_not_converge_is_found() -> None:
    _, convergence = damaged("result_x", 1.0).invariants()
    assert not convergence.ok


def test_the_bound_is_that_of_the_condition_number() -> None:
    """kappa from the extreme eigenvalues of the dense matrix."""
    values = np.linalg.eigvalsh(sparse_laplacian(8).toarray())
    root = np.sqrt(values[-1] / values[0])
    right = 2 * root * ((root - 1) / (root + 1)) ** 20
    assert residual_bound(8, 20) == pytest.approx(right, rel=1e-12)


def test_iterations_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="iterations: received 6, must be a multiple of 4; use 4"):
        ConjugateGradient().complete({"intervals": 16, "iterations": 6})


@pytest.mark.parametrize("intervals", [16, 128, 4096])
def test_iterations_beyond_what_the_classical_bound_tells_apart_are_refused(intervals: int) -> None:
    """At the most iterations the bound still lies above the rounding that the check allows for."""
    most = 8 * intervals
    ConjugateGradient().complete({"intervals": intervals, "iterations": most})
    assert residual_bound(intervals, most) > 10 * most * 2.0**-53
    rule = f"iterations: received {most + 4}, must be at most {most}; it has converged"
    with pytest.raises(ValueError, match=rule):
        ConjugateGradient().complete({"intervals": intervals, "iterations": most + 4})


def test_every_iteration_that_is_counted_is_done_also_without_a_residual() -> None:
    """The product is formed anew each time: one that a test spoils is right after an iteration."""
    grids = x, residual, direction, formed = tuple(np.zeros((17, 17)) for _ in range(4))
    formed[1:-1, 1:-1] = 7.0
    _iterate(x, residual, direction, formed, 1)
    assert all(not grid.any() for grid in grids)


def test_flips_between_iterations_change_the_outcome() -> None:
    """Measured 94 % of flips in solution, residual and direction; the rest are rounded away."""
    campaign = flip_between_stages(BY_NAME["conjugate-gradient"].task(), "result", FLIPS)
    assert campaign.missed == 0
    assert campaign.caught >= 0.85 * campaign.flips
