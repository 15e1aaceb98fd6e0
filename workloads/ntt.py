"""Exact number-theoretic transform modulo the prime 998244353 = 119 * 2^23 + 1, primitive root 3.

A pass convolves `batch` cyclic sequences of n numbers with one fixed kernel h, again and again:
forward transform, product point by point, inverse transform, `convolutions` times. The result is
`x * h * h * ... * h`, known exactly by other means (products of large integers), so the golden
ships; a pass that did nothing would not give it.

The transform is Stockham's autosort form, radix 2 (Van Loan 1992, Computational Frameworks for
the Fast Fourier Transform, section 1.7) with the sequences side by side in the innermost loop;
Pollard (1971), "The fast Fourier transform in a finite field", Math. Comp. 25:365-374. Products
modulo p use a precomputed quotient `floor(w 2^32 / p)`: Shoup's method, Harvey (2014), "Faster
arithmetic for number-theoretic transforms", J. Symb. Comput. 60:113-119. All numbers stay below p.

Every step is a bijection modulo p, and p is odd, so a flipped bit of a number never heals.

Invariants: evaluation at 1 and at -1 turns a convolution into a product: the sum (and the
alternating sum) of each result is that of its sequence times that of h to the power of the
number of convolutions, modulo p.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numba import njit, uint32, uint64

from workloads.contract import Finding, Parameter, Parameters, Value, whole
from workloads.digest import fold
from workloads.operands import aligned
from workloads.prng import splitmix64
from workloads.sized import PARTS, PartedTask, SizedWorkload, require_multiple, require_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Residues = NDArray[np.uint32]

MODULUS = 998244353
_PRIMITIVE_ROOT = 3
_BATCH = 32
_PAGE_BYTES = 4096

# Digests for seed 1 by (points, convolutions), remade in the tests with Python's integers.
_GOLDENS: dict[tuple[int, ...], int] = {(1024, 192): 0x89BA37211F5E8EF7}


@njit(cache=True, nogil=True)
def _stage(source, out, half, run, step, roots, quotients):  # type: ignore[no-untyped-def]
    """`half` butterflies of `run` neighbours each: (u, v) becomes (u + v, (u - v) w)."""
    p, low = uint64(MODULUS), uint64(0xFFFFFFFF)
    for k in range(half):
        w, quotient = uint64(roots[k * step]), uint64(quotients[k * step])
        first = source[k * run : (k + 1) * run]
        second = source[(k + half) * run : (k + half + 1) * run]
        sums = out[2 * k * run : (2 * k + 1) * run]
        products = out[(2 * k + 1) * run : (2 * k + 2) * run]
        for q in range(run):
            u, v = uint64(first[q]), uint64(second[q])
            total = u + v
            # The smaller of t and t - p modulo 2^32 is t reduced: one instruction, no branch.
            sums[q] = min(uint32(total), uint32(total - p))
            difference = (u + p - v) & low
            product = difference * w - ((difference * quotient) >> uint64(32)) * p
            products[q] = min(uint32(product), uint32(product - p))


@njit(cache=True, nogil=True)
def _transform(source, out, points, roots, quotients):  # type: ignore[no-untyped-def]
    """Transform `source`; True when the result is in `out`, else it is in `source`."""
    half, run, moved = points // 2, source.size // points, False
    while half >= 1:
        _stage(source, out, half, run, points // (2 * half), roots, quotients)
        source, out = out, source
        half, run, moved = half // 2, run * 2, not moved
    return moved


@njit(cache=True, nogil=True)
def _multiply(numbers, points, factors, quotients):  # type: ignore[no-untyped-def]
    """Row k of `numbers` times `factors[k]`, in place."""
    p, run = uint64(MODULUS), numbers.size // points
    for k in range(points):
        w, quotient = uint64(factors[k]), uint64(quotients[k])
        row = numbers[k * run : (k + 1) * run]
        for q in range(run):
            number = uint64(row[q])
            product = number * w - ((number * quotient) >> uint64(32)) * p
            row[q] = min(uint32(product), uint32(product - p))


@njit(cache=True, nogil=True)
def _convolve(numbers, spare, points, times, forward, inverse, kernel):  # type: ignore[no-untyped-def]
    """Convolve `numbers` `times` times, in place; the tables are values with their quotients."""
    for _ in range(times):
        a, b = numbers, spare
        if _transform(a, b, points, forward[0], forward[1]):
            a, b = b, a
        _multiply(a, points, kernel[0], kernel[1])
        _transform(a, b, points, inverse[0], inverse[1])


def with_quotients(values: list[int]) -> tuple[Residues, Residues]:
    """Factors with their `floor(w 2^32 / p)`."""
    quotients = [(value << 32) // MODULUS for value in values]
    return np.array(values, np.uint32), np.array(quotients, np.uint32)


def root_powers(points: int, *, inverse: bool) -> list[int]:
    """Powers 0 .. points - 1 of the primitive root of order `points` (or of its inverse)."""
    root = pow(_PRIMITIVE_ROOT, (MODULUS - 1) // points, MODULUS)
    root = pow(root, -1, MODULUS) if inverse else root
    powers = [1]
    for _ in range(points - 1):
        powers.append(powers[-1] * root % MODULUS)
    return powers


class NttTask(PartedTask):
    """One lane's sequences, the kernel's transform and the two planes they move between."""

    def __init__(self, seed: int, points: int, convolutions: int) -> None:
        super().__init__()
        self.points, self.convolutions = points, convolutions
        self.start, self.kernel = operands(seed, points)
        self.numbers = aligned(np.zeros_like(self.start), _PAGE_BYTES)
        self.spare = aligned(self.numbers, _PAGE_BYTES, _PAGE_BYTES // 2)
        self.forward = with_quotients(root_powers(points, inverse=False))
        self.inverse = with_quotients(root_powers(points, inverse=True))
        self.factors = self._kernel_transform()
        self.expected = self._evaluations(self.start, self._kernel_powers())
        butterflies = points // 2 * (points.bit_length() - 1) * _BATCH
        self.work_per_pass = 2.0 * butterflies * convolutions

    def _kernel_transform(self) -> tuple[Residues, Residues]:
        """The kernel's transform over n: the inverse transform's division is in it."""
        lone, spare = self.kernel.astype(np.uint32), np.empty(self.points, np.uint32)
        moved = _transform(lone, spare, self.points, self.forward[0], self.forward[1])
        scale = pow(self.points, -1, MODULUS)
        result = spare if moved else lone
        return with_quotients([int(value) * scale % MODULUS for value in result])

    def _begin(self) -> None:
        np.copyto(self.numbers, self.start)

    def _part(self) -> None:
        times = self.convolutions // PARTS
        tables = self.forward, self.inverse, self.factors
        _convolve(self.numbers, self.spare, self.points, times, tables[0], tables[1], tables[2])

    def digest(self) -> int:
        """See :class:`Task`."""
        return fold(self.numbers)

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        tables = (*self.forward, *self.inverse, *self.factors)
        return fold(np.concatenate([self.start, *tables]))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`; between the parts the result holds the sequences so far."""
        return {
            "input_sequences": self.start,
            "input_factors": self.factors[0],
            "result_sequences": self.numbers,
        }

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`."""
        found = self._evaluations(self.numbers, (1, 1))
        names = ("sum", "alternating sum")
        return tuple(
            _finding(name, found[row], self.expected[row]) for row, name in enumerate(names)
        )

    def _kernel_powers(self) -> tuple[int, int]:
        kernel = [int(value) for value in self.kernel]
        alternating = sum(kernel[::2]) - sum(kernel[1::2])
        return (
            pow(sum(kernel), self.convolutions, MODULUS),
            pow(alternating, self.convolutions, MODULUS),
        )

    def _evaluations(self, numbers: Residues, factors: tuple[int, int]) -> NDArray[np.uint64]:
        """Each sequence's sum and alternating sum times the factors, modulo p."""
        wide = numbers.reshape(self.points, -1).astype(np.uint64)
        even, odd = wide[::2].sum(axis=0), wide[1::2].sum(axis=0)
        p = np.uint64(MODULUS)
        sums = np.array([(even + odd) % p, (even % p + p - odd % p) % p])
        return sums * np.array(factors, np.uint64)[:, None] % p


def _finding(name: str, found: NDArray[np.uint64], expected: NDArray[np.uint64]) -> Finding:
    wrong = np.flatnonzero(found != expected)
    detail = f"{wrong.size} of {found.size} sequences differ"
    return Finding(name, not wrong.size, detail + (f", first {wrong[0]}" if wrong.size else ""))


def operands(seed: int, points: int) -> tuple[Residues, Residues]:
    """Sequences (element j of sequence b at j * batch + b) and the kernel h, numbers below p."""
    words = splitmix64(seed, points * (_BATCH + 1)) % np.uint64(MODULUS)
    numbers = words.astype(np.uint32)
    return numbers[: points * _BATCH].copy(), numbers[points * _BATCH :].copy()


class Ntt(SizedWorkload):
    """Cyclic convolutions by number-theoretic transform."""

    name = "ntt"
    version = 1
    family = "transform"
    unit = "butterfly"
    purpose = "wide integer multiplication on the vector units, data in the L2 cache, exact"
    check = "digest of all products, a shipped one from large integers; sums of every sequence"
    shipped_golden = True
    goldens = _GOLDENS
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "points": Parameter(1024, "numbers in a sequence, a power of 2", low=16, high=1 << 20),
        "convolutions": Parameter(192, "in a pass, a multiple of 4", low=4, high=1 << 20),
    }
    slowest_per_second = 1e8

    def complete(self, given: Mapping[str, Any]) -> dict[str, Value]:
        """See :class:`Workload`; also powers and multiples."""
        values = super().complete(given)
        require_power(values, "points")
        require_multiple(values, "convolutions")
        return values

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`: three planes, six tables, temporaries of set-up and invariants."""
        points = whole(parameters, "points")
        return points * (3 * 4 * _BATCH + 6 * 4 + 3 * 8 * (_BATCH + 1) + 200) + 3 * _PAGE_BYTES

    def prepare(self, parameters: Parameters, seed: int) -> NttTask:
        """See :class:`Workload`."""
        points, times = whole(parameters, "points"), whole(parameters, "convolutions")
        return NttTask(seed, points, times)
