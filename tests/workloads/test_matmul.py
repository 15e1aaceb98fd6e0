"""Matrix multiply: shipped goldens from 64-bit integers, checksums that say where, exactness."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from bit_flips import FLIPS, flip_inputs
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from workloads.digest import fold
from workloads.faults import choose_flip
from workloads.matmul import (
    ExactTask,
    MatmulFp32,
    MatmulFp32Normal,
    MatmulFp64,
    MatmulFp64Normal,
    MatmulTask,
    exact_bound,
)

EXACT = (MatmulFp64, MatmulFp32)
NORMAL = (MatmulFp64Normal, MatmulFp32Normal)
GOLDENS = [(kind, n) for kind in EXACT for n in kind.goldens]


def splitmix64(seed: int, count: int) -> NDArray[np.uint64]:
    """Steele, Lea and Flood (2014), in whole-array arithmetic."""
    state = np.uint64(seed) + np.arange(1, count + 1, dtype=np.uint64) * np.uint64(
        0x9E3779B97F4A7C15
    )
    state = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    state = (state ^ (state >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return state ^ (state >> np.uint64(31))


def whole_operand(stream: int, n: int, bound: int) -> NDArray[np.int64]:
    start = int(splitmix64(1, stream + 1)[stream])
    remainders = splitmix64(start, n * n) % np.uint64(2 * bound + 1)
    return (remainders.astype(np.int64) - bound).reshape(n, n)


def whole_product(a: NDArray[np.int64], b: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sum of outer products in 64-bit integers: no BLAS, another order of sums."""
    total = np.zeros_like(a)
    for k in range(len(a)):
        total += a[:, k : k + 1] * b[k]
    return total


@pytest.mark.parametrize(("kind", "n"), GOLDENS, ids=lambda value: getattr(value, "name", value))
def test_the_shipped_golden_is_the_integer_products(kind: type[Any], n: int) -> None:
    bound = exact_bound(n, kind.dtype)
    a, b = (whole_operand(stream, n, bound) for stream in (0, 1))
    assert fold(whole_product(a, b).astype(kind.dtype)) == kind().golden({"n": n}, 1)


@pytest.mark.parametrize("kind", EXACT)
@pytest.mark.parametrize("n", [64, 100, 1024, 1280, 16384])
def test_the_bound_is_the_largest_that_keeps_all_sums_exact(kind: type[Any], n: int) -> None:
    bits = {np.float64: 53, np.float32: 24}[kind.dtype]
    bound = exact_bound(n, kind.dtype)
    assert n * bound**2 <= 2**bits < n * (bound + 1) ** 2


@pytest.mark.parametrize("kind", EXACT)
def test_the_exact_product_does_not_depend_on_the_order_of_sums(kind: type[Any]) -> None:
    task = kind().prepare({"n": 200}, 5)
    task.execute()
    backwards = np.ascontiguousarray(task.a[:, ::-1]) @ np.ascontiguousarray(task.b[::-1])
    slowly = np.einsum("ik,kj->ij", task.a, task.b)
    assert fold(backwards) == fold(slowly) == task.digest()


@pytest.mark.parametrize("kind", NORMAL)
def test_the_normal_product_is_close_to_the_wide_one(kind: type[Any]) -> None:
    task = kind().prepare({"n": 100}, 1)
    task.execute()
    wide = task.a.astype(np.longdouble) @ task.b.astype(np.longdouble)
    assert np.max(np.abs(task.c - wide)) < 100 * np.finfo(kind.dtype).eps * 10


@pytest.mark.parametrize("kind", NORMAL)
def test_normal_operands_use_the_whole_mantissa(kind: type[Any]) -> None:
    a = kind().prepare({"n": 64}, 1).a
    words = a.view(np.uint64 if a.dtype == np.float64 else np.uint32)
    bits = [int((words >> words.dtype.type(bit) & words.dtype.type(1)).sum()) for bit in range(20)]
    assert all(0.4 * a.size < count < 0.6 * a.size for count in bits)


def damaged(kind: type[Any], change: float, n: int = 96) -> MatmulTask:
    """A task whose element [17, 23] of the product is off by `change`."""
    task: MatmulTask = kind().prepare({"n": n}, 1)
    with threadpool_limits(1):
        task.execute()
    task.c[17, 23] += change
    return task


@pytest.mark.parametrize(
    ("kind", "change"),
    [
        (MatmulFp64, 1.0),
        (MatmulFp32, -1.0),
        (MatmulFp64, 0.5),
        (MatmulFp64, np.nan),
        (MatmulFp32, np.inf),
        (MatmulFp64, 1e300),
        (MatmulFp64Normal, 1e-9),
        (MatmulFp32Normal, 0.1),
        (MatmulFp64Normal, np.nan),
        (MatmulFp32Normal, -np.inf),
    ],
)
def test_one_wrong_element_is_found_where_its_row_and_column_cross(
    kind: type[Any], change: float
) -> None:
    sums, freivalds = damaged(kind, change).invariants()
    assert sums.detail == (
        "1 of 96 row sums differ, first row 17; 1 of 96 column sums differ, first column 23"
    )
    assert freivalds.detail == "1 of 96 row sums differ, first row 17"
    assert not sums.ok
    assert not freivalds.ok


def test_two_wrong_elements_that_cancel_in_a_row_show_in_the_columns() -> None:
    task = damaged(MatmulFp64, 5.0)
    task.c[17, 60] -= 5.0
    sums, _ = task.invariants()
    assert sums.detail.startswith("0 of 96 row sums differ; 2 of 96 column sums differ")


@pytest.mark.parametrize("kind", [*EXACT, *NORMAL])
def test_operands_corrupted_before_the_pass_do_not_agree_with_themselves(kind: type[Any]) -> None:
    task = kind().prepare({"n": 64}, 1)
    task.a[3, 4] = -task.a[3, 4] + 1
    task.execute()
    assert [finding.ok for finding in task.invariants()] == [False, False]


def test_the_invariants_of_normal_operands_hold_for_many_seeds() -> None:
    for seed in range(2, 22):
        for kind in NORMAL:
            task = kind().prepare({"n": 64}, seed)
            task.execute()
            assert all(finding.ok for finding in task.invariants()), (kind.name, seed)


def test_the_work_is_counted_as_two_n_cubed() -> None:
    assert MatmulFp64().prepare({"n": 64}, 1).work_per_pass == 2 * 64**3


def test_the_code_path_names_library_and_kernel() -> None:
    path = MatmulFp64Normal().code_path({"n": 64})
    assert path.startswith(f"numpy {np.__version__}, ")
    assert path.split(", ")[1].strip()


def invariant_rate(task: MatmulTask, flips: int) -> float:
    """Share of flips in the result that the invariants see."""
    from random import Random

    rng = Random(9)
    task.execute()
    seen = 0
    for _ in range(flips):
        one = choose_flip(task, rng, "result")
        one.apply(task)
        seen += not all(finding.ok for finding in task.invariants())
        one.apply(task)
    return seen / flips


def test_exact_checksums_see_every_flip_of_a_result() -> None:
    """No tolerance: measured 100 %; the digest sees all of both kinds."""
    task = MatmulFp32().prepare({"n": 64}, 1)
    assert isinstance(task, ExactTask)
    assert invariant_rate(task, FLIPS) == 1.0


def test_rounded_checksums_miss_the_low_bits_which_is_why_the_digest_decides() -> None:
    """Measured 71 % for 64 x 64 normal operands in FP64; low mantissa bits pass as rounding."""
    rate = invariant_rate(MatmulFp64Normal().prepare({"n": 64}, 1), FLIPS)
    assert 0.5 < rate < 0.85


def test_most_flips_of_an_operand_change_the_product() -> None:
    """Measured 94 to 100 %; the rest are flips so low that every product rounds them away."""
    for kind in (*EXACT, *NORMAL):
        campaign = flip_inputs(kind().prepare({"n": 64}, 1), flips=100)
        assert campaign.missed == 0
        assert campaign.caught >= 85, kind.name


@pytest.mark.parametrize("kind", [*EXACT, *NORMAL])
def test_a_pass_stays_short_enough_for_the_stop_flag(kind: type[Any]) -> None:
    """2 n^3 flop at 16 Gflop/s, a slow core in FP64: about one second, however large n may be."""
    largest = kind.parameters["n"].high
    assert 2 * largest**3 / 16e9 < 1.1
    assert kind().complete({"n": int(largest)})["n"] == largest
    with pytest.raises(ValueError, match="must lie in 64 to 2048"):
        kind().complete({"n": int(largest) + 1})
