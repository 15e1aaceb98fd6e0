"""Dense matrix multiply `C = A B`, n x n, with numpy's BLAS: 2 n^3 flop a pass.

Two kinds of operands, in FP64 and FP32:

- bounded integers: |a| <= m with n m^2 <= 2^53 (FP32: 2^24), so every product and every partial
  sum, in whatever order and with whatever vector width, is an integer the format holds exactly.
  The result does not depend on the BLAS, and its golden digest ships in this file;
- random normal numbers, which use the whole mantissa. Their last bits depend on the BLAS kernel,
  so the lanes agree on a golden, which the checksums must confirm.

Checksums (they need no golden, and say where an element is wrong):

- row and column sums: `C e = A (B e)` and `e' C = (e' A) B`, Huang and Abraham (1984), "Algorithm-
  based fault tolerance for matrix operations", IEEE Trans. Computers C-33(6):518-528. One wrong
  element breaks one row and one column sum, and stands where they cross;
- Freivalds (1977): `C r = A (B r)` for a random r of +1 and -1; for such r a single wrong element
  always shows, any other wrong C is accepted with probability 1/2 at most.

The right-hand sides are computed once, from the operands as they were when the task was made:
a check against operands that were corrupted since would agree with itself. Integers are checked
modulo 2^64, without tolerance. For normal numbers the tolerance is the probabilistic rounding
bound `lambda sqrt(k) u |A||B||r|` of Higham and Mary (2019), SIAM J. Sci. Comput. 41(5):A2815-
A2835, with k = 2 n and lambda = 8 (under their model exceeded with probability 2 exp(-32)).
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from math import isqrt, sqrt
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from workloads.codepath import numpy_blas
from workloads.contract import Finding, Parameter, Parameters, Task, Workload, whole
from workloads.digest import combine, fold
from workloads.operands import integers, normals

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Matrix = NDArray[Any]

_LAMBDA = 8.0
_CHECK_STREAM = 2
#: A lane looks at the stop flag between passes and cannot leave the BLAS inside one, so a pass must
#: stay short: 2 n^3 = 17 Gflop take about a second on a slow core (16 Gflop/s in FP64).
_LARGEST = 2048

# Digests of the exact product for seed 1, remade in the tests by 64-bit integer arithmetic.
_GOLDEN_FP64 = {
    256: 0xA522CAB45C2341D6,
    512: 0x8406145C5D86386D,
    1024: 0xF53683F809968077,
    1152: 0x24895E60450C5031,
}
_GOLDEN_FP32 = {
    256: 0x50101B3275927707,
    512: 0x963FF0D0108AC14E,
    1024: 0x73BB9170A9D601C8,
    1280: 0x4A758B2E1FDB5C74,
}


@dataclass(frozen=True)
class Checksums:
    """What `C e`, `e' C` and `C r` must be, and how far rounding may take them from it."""

    rows: Matrix
    columns: Matrix
    signs: Matrix
    signed: Matrix
    row_tolerance: Matrix
    column_tolerance: Matrix


def exact_checksums(a: Matrix, b: Matrix, signs: Matrix) -> Checksums:
    """Right-hand sides modulo 2^64, tolerance 0. Operands: square matrices of exact integers."""
    whole_a, whole_b = a.astype(np.int64), b.astype(np.int64)
    whole_signs = signs.astype(np.int64)
    none = np.zeros(len(a), np.int64)
    return Checksums(
        rows=whole_a @ whole_b.sum(axis=1),
        columns=whole_a.sum(axis=0) @ whole_b,
        signs=whole_signs,
        signed=whole_a @ (whole_b @ whole_signs),
        row_tolerance=none,
        column_tolerance=none,
    )


def rounded_checksums(a: Matrix, b: Matrix, signs: Matrix) -> Checksums:
    """Right-hand sides in FP64, tolerance by the bound in the module's docstring."""
    n = len(a)
    unit_roundoff = float(np.finfo(a.dtype).eps) / 2
    # Both sides round: the product's sums and the checksum's own.
    factor = 2 * _LAMBDA * sqrt(2 * n) * unit_roundoff
    wide_a, wide_b = a.astype(np.float64), b.astype(np.float64)
    size_a, size_b = np.abs(wide_a), np.abs(wide_b)
    return Checksums(
        rows=wide_a @ wide_b.sum(axis=1),
        columns=wide_a.sum(axis=0) @ wide_b,
        signs=signs.astype(np.float64),
        signed=wide_a @ (wide_b @ signs.astype(np.float64)),
        row_tolerance=factor * (size_a @ size_b.sum(axis=1)),
        column_tolerance=factor * (size_a.sum(axis=0) @ size_b),
    )


def checksum_findings(c: Matrix, sums: Checksums, wrong: Matrix) -> tuple[Finding, ...]:
    """The two checks of a product `c`; `wrong` marks elements already known to be impossible."""
    rows = _broken(c.sum(axis=1), sums.rows, sums.row_tolerance) | wrong.any(axis=1)
    columns = _broken(c.sum(axis=0), sums.columns, sums.column_tolerance) | wrong.any(axis=0)
    signed = _broken(c @ sums.signs, sums.signed, sums.row_tolerance) | wrong.any(axis=1)
    return (
        Finding("row and column sums", not (rows.any() or columns.any()), _place(rows, columns)),
        Finding("Freivalds", not signed.any(), _count("row", signed)),
    )


def _broken(found: Matrix, expected: Matrix, tolerance: Matrix) -> NDArray[np.bool_]:
    # "not within" rather than "beyond", so that a NaN counts as broken.
    within: NDArray[np.bool_] = np.abs(found - expected) <= tolerance
    return ~within


def _place(rows: NDArray[np.bool_], columns: NDArray[np.bool_]) -> str:
    return f"{_count('row', rows)}; {_count('column', columns)}"


def _count(kind: str, broken: NDArray[np.bool_]) -> str:
    where = np.flatnonzero(broken)
    first = f", first {kind} {where[0]}" if where.size else ""
    return f"{where.size} of {broken.size} {kind} sums differ{first}"


class MatmulTask(Task):
    """One lane's operands, its product and the product's checksums."""

    def __init__(self, a: Matrix, b: Matrix, signs: Matrix) -> None:
        super().__init__()
        self.a, self.b = a, b
        self.c = np.zeros_like(a)
        self.signs = signs
        self.work_per_pass = 2.0 * len(a) ** 3

    def execute(self) -> None:
        """See :class:`Task`. The BLAS clears C first, so nothing of the last pass survives."""
        # A corrupted operand may overflow: that is the digest's to find, not numpy's to report.
        with np.errstate(all="ignore"):
            np.matmul(self.a, self.b, out=self.c)

    def digest(self) -> int:
        """See :class:`Task`."""
        return fold(self.c)

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        return combine(fold(self.a), fold(self.b))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`."""
        return {"input_a": self.a, "input_b": self.b, "result_c": self.c}


class ExactTask(MatmulTask):
    """Operands are integers, so every element and every sum is known without tolerance."""

    def __init__(self, a: Matrix, b: Matrix, signs: Matrix) -> None:
        super().__init__(a, b, signs)
        self.sums = exact_checksums(a, b, signs)

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`."""
        limit = 2.0 ** (np.finfo(self.c.dtype).nmant + 1)
        wrong = ~((np.abs(self.c) <= limit) & (self.c == np.trunc(self.c)))
        whole = np.where(wrong, 0, self.c).astype(np.int64)
        return checksum_findings(whole, self.sums, wrong)


class NormalTask(MatmulTask):
    """Operands are normal numbers: sums agree up to rounding."""

    def __init__(self, a: Matrix, b: Matrix, signs: Matrix) -> None:
        super().__init__(a, b, signs)
        self.sums = rounded_checksums(a, b, signs)

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`."""
        wrong = ~np.isfinite(self.c)
        wide = np.where(wrong, 0, self.c).astype(np.float64)
        # Elements near the format's end may still sum to infinity; that is a broken sum.
        with np.errstate(over="ignore", invalid="ignore"):
            return checksum_findings(wide, self.sums, wrong)


class _Matmul(Workload):
    """What the four multiplies share."""

    version = 1
    family = "dense"
    unit = "flop"
    dtype: ClassVar[type[np.floating[Any]]]

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`: three matrices, and the wide copies made for the checksums."""
        n = whole(parameters, "n")
        return n * n * (3 * np.dtype(self.dtype).itemsize + 4 * 8)

    def code_path(self, parameters: Parameters) -> str:
        """See :class:`Workload`."""
        return numpy_blas()

    def warm(self) -> None:
        """See :class:`Workload`."""
        task = self.prepare({"n": 64}, 1)
        task.execute()
        task.digest()

    @abstractmethod
    def prepare(self, parameters: Parameters, seed: int) -> MatmulTask:
        """See :class:`Workload`."""


class _ExactMatmul(_Matmul):
    shipped_golden = True
    check = "digest of the exact integer product; row and column checksums locate a difference"
    goldens: ClassVar[Mapping[int, int]]

    def prepare(self, parameters: Parameters, seed: int) -> ExactTask:
        """See :class:`Workload`."""
        n = whole(parameters, "n")
        bound = exact_bound(n, self.dtype)
        a, b = (integers(seed, stream, (n, n), bound, self.dtype) for stream in (0, 1))
        return ExactTask(a, b, _signs(n, seed))

    def golden(self, parameters: Parameters, seed: int) -> int | None:
        """See :class:`Workload`; known for the sizes in `goldens` and seed 1."""
        return self.goldens.get(whole(parameters, "n")) if seed == 1 else None


class _NormalMatmul(_Matmul):
    check = (
        "digest agreed by the lanes and repeated passes, confirmed by row and column checksums "
        "(Huang and Abraham 1984) and Freivalds' check"
    )

    def prepare(self, parameters: Parameters, seed: int) -> NormalTask:
        """See :class:`Workload`."""
        n = whole(parameters, "n")
        a, b = (normals(seed, stream, (n, n), self.dtype) for stream in (0, 1))
        return NormalTask(a, b, _signs(n, seed))


def exact_bound(n: int, dtype: type[np.floating[Any]]) -> int:
    """The largest m with `n m^2 <= 2^p`, p the significand's bits: all partial sums stay exact."""
    return isqrt(2 ** (int(np.finfo(dtype).nmant) + 1) // n)


def _signs(n: int, seed: int) -> Matrix:
    draws: Matrix = integers(seed, _CHECK_STREAM, (n,), 1 << 30, np.int64)
    signs: Matrix = 2 * (draws & 1) - 1
    return signs


def _size(default: int) -> dict[str, Parameter]:
    # Not a power of two: rows a power of two apart share cache sets (2 % slower, measured).
    return {"n": Parameter(default, "rows and columns of each matrix", low=64, high=_LARGEST)}


class MatmulFp64(_ExactMatmul):
    """FP64 multiply of bounded integers."""

    name = "matmul-fp64"
    purpose = "vector units, L1/L2 and their ports, in double precision"
    dtype = np.float64
    parameters = _size(1152)
    goldens = _GOLDEN_FP64


class MatmulFp32(_ExactMatmul):
    """FP32 multiply of bounded integers."""

    name = "matmul-fp32"
    purpose = "vector units, L1/L2 and their ports, in single precision"
    dtype = np.float32
    parameters = _size(1280)
    goldens = _GOLDEN_FP32


class MatmulFp64Normal(_NormalMatmul):
    """FP64 multiply of normal numbers."""

    name = "matmul-fp64-normal"
    purpose = "as matmul-fp64, with every mantissa bit in use"
    dtype = np.float64
    parameters = _size(1152)


class MatmulFp32Normal(_NormalMatmul):
    """FP32 multiply of normal numbers."""

    name = "matmul-fp32-normal"
    purpose = "as matmul-fp32, with every mantissa bit in use"
    dtype = np.float32
    parameters = _size(1280)
