"""Batched fast Fourier transform, forward and inverse: Stockham's radix-4 form, autosorted.

`X[k] = sum_j x[j] exp(-2 pi i j k / n)` for `batch` signals of n = 4^t points side by side
(element j of signal b at [j, b], real and imaginary parts apart), so the innermost loop runs
along the batch and vectorises. Source of the algorithm: Stockham's autosort framework in Van Loan
(1992), Computational Frameworks for the Fast Fourier Transform, section 1.7, radix 4 of section
2.4. Own code instead of a library's: only IEEE additions and multiplications in a fixed order,
with correctly rounded roots of unity, so the result has the same bits everywhere and its golden
digest ships. It is also faster here than single library transforms (measured 22 GFLOP/s against
13 in FP64).

A pass is `round_trips` times forward and inverse, then one forward transform whose spectrum is
the result. Work is counted by the trade's convention of 5 n log2 n flop a transform (the radix-4
form needs about 4.25; common practice, no source).

Invariants of the last spectrum, against the signal the task was made with:

- Parseval: `sum |X|^2 = n sum |x|^2`, signal by signal (M.-A. Parseval 1799);
- inverse: another implementation (scipy's) transforms the spectrum back to the signal.

Tolerances: a transform's relative error in the 2-norm is at most about t eta, t = log2 n,
eta = u + gamma_4 (sqrt(2) + u), Higham (2002), Accuracy and Stability of Numerical Algorithms,
2nd ed., theorem 24.2 (there for radix 2, which rounds more often), times the transforms done.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import log2, sqrt
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numba import njit

from workloads.contract import Finding, Parameter, Parameters, Value, whole
from workloads.digest import combine, fold
from workloads.operands import aligned, uniforms
from workloads.roots import roots_of_unity
from workloads.sized import (
    PARTS,
    SizedWorkload,
    StagedTask,
    require_at_most,
    require_multiple,
    require_power,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Plane = NDArray[Any]

_PAGE_BYTES = 4096
_ROW_BYTES = 128
#: The invariants' tolerance must stay well below a signal's own size, or they would see nothing.
_MOST_TOLERANCE = 1 / 16

# Digests for seed 1 by (points, round trips), remade in the tests with whole-array operations.
_GOLDEN_FP64: dict[tuple[int, ...], int] = {(1024, 256): 0x1EFFC563CCFC20EA}
_GOLDEN_FP32: dict[tuple[int, ...], int] = {(1024, 256): 0x22DE4A5AD1CEDCC2}


@njit(cache=True, nogil=True)
def _stage(re, im, out_re, out_im, quarter, run, step, root_re, root_im):  # type: ignore[no-untyped-def]
    """One pass over the data: `quarter` butterflies of `run` neighbours each, with twiddles."""
    for p in range(quarter):
        w1r, w1i = root_re[p * step], root_im[p * step]
        w2r, w2i = root_re[2 * p * step], root_im[2 * p * step]
        w3r, w3i = root_re[3 * p * step], root_im[3 * p * step]
        a, b, c, d = p, p + quarter, p + 2 * quarter, p + 3 * quarter
        ar, ai = re[a * run : (a + 1) * run], im[a * run : (a + 1) * run]
        br, bi = re[b * run : (b + 1) * run], im[b * run : (b + 1) * run]
        cr, ci = re[c * run : (c + 1) * run], im[c * run : (c + 1) * run]
        dr, di = re[d * run : (d + 1) * run], im[d * run : (d + 1) * run]
        o = 4 * p * run
        y0r, y0i = out_re[o : o + run], out_im[o : o + run]
        y1r, y1i = out_re[o + run : o + 2 * run], out_im[o + run : o + 2 * run]
        y2r, y2i = out_re[o + 2 * run : o + 3 * run], out_im[o + 2 * run : o + 3 * run]
        y3r, y3i = out_re[o + 3 * run : o + 4 * run], out_im[o + 3 * run : o + 4 * run]
        for q in range(run):
            sum_r, sum_i = ar[q] + cr[q], ai[q] + ci[q]
            difference_r, difference_i = ar[q] - cr[q], ai[q] - ci[q]
            other_r, other_i = br[q] + dr[q], bi[q] + di[q]
            turned_r, turned_i = bi[q] - di[q], dr[q] - br[q]
            y0r[q], y0i[q] = sum_r + other_r, sum_i + other_i
            tr, ti = sum_r - other_r, sum_i - other_i
            y2r[q], y2i[q] = w2r * tr - w2i * ti, w2r * ti + w2i * tr
            tr, ti = difference_r + turned_r, difference_i + turned_i
            y1r[q], y1i[q] = w1r * tr - w1i * ti, w1r * ti + w1i * tr
            tr, ti = difference_r - turned_r, difference_i - turned_i
            y3r[q], y3i[q] = w3r * tr - w3i * ti, w3r * ti + w3i * tr


@njit(cache=True, nogil=True)
def _last_stage(re, im, out_re, out_im, run, scale):  # type: ignore[no-untyped-def]
    """The stage whose twiddles are all 1; `scale` is 1, or 1/n after an inverse transform."""
    ar, br, cr, dr = re[:run], re[run : 2 * run], re[2 * run : 3 * run], re[3 * run :]
    ai, bi, ci, di = im[:run], im[run : 2 * run], im[2 * run : 3 * run], im[3 * run :]
    y0r, y0i = out_re[:run], out_im[:run]
    y1r, y1i = out_re[run : 2 * run], out_im[run : 2 * run]
    y2r, y2i = out_re[2 * run : 3 * run], out_im[2 * run : 3 * run]
    y3r, y3i = out_re[3 * run :], out_im[3 * run :]
    for q in range(run):
        sum_r, sum_i = ar[q] + cr[q], ai[q] + ci[q]
        difference_r, difference_i = ar[q] - cr[q], ai[q] - ci[q]
        other_r, other_i = br[q] + dr[q], bi[q] + di[q]
        turned_r, turned_i = bi[q] - di[q], dr[q] - br[q]
        y0r[q], y0i[q] = (sum_r + other_r) * scale, (sum_i + other_i) * scale
        y1r[q], y1i[q] = (difference_r + turned_r) * scale, (difference_i + turned_i) * scale
        y2r[q], y2i[q] = (sum_r - other_r) * scale, (sum_i - other_i) * scale
        y3r[q], y3i[q] = (difference_r - turned_r) * scale, (difference_i - turned_i) * scale


@njit(cache=True, nogil=True)
def _transform(re, im, out_re, out_im, points, root_re, root_im, scale):  # type: ignore[no-untyped-def]
    """Transform the four planes' first pair; True when the result is in the second pair."""
    run, quarter, moved = re.size // points, points // 4, False
    while quarter > 1:
        step = points // (4 * quarter)
        _stage(re, im, out_re, out_im, quarter, run, step, root_re, root_im)
        re, im, out_re, out_im = out_re, out_im, re, im
        quarter, run, moved = quarter // 4, run * 4, not moved
    _last_stage(re, im, out_re, out_im, run, scale)
    return not moved


@njit(cache=True, nogil=True)
def _round_trips(planes, points, root_re, root_im, scales, trips):  # type: ignore[no-untyped-def]
    """`trips` times forward and inverse; planes 0, 1 hold the signal, before and after.

    An inverse transform is a forward one with real and imaginary parts exchanged.
    """
    for _ in range(trips):
        a, b, c, d = planes
        if _transform(a, b, c, d, points, root_re, root_im, scales[0]):
            a, b, c, d = c, d, a, b
        _transform(b, a, d, c, points, root_re, root_im, scales[1])


@njit(cache=True, nogil=True)
def _forward(planes, points, root_re, root_im, scales):  # type: ignore[no-untyped-def]
    """One forward transform of planes 0, 1 into planes 2, 3."""
    a, b, c, d = planes
    if not _transform(a, b, c, d, points, root_re, root_im, scales[0]):
        c[:] = a
        d[:] = b


class FftTask(StagedTask):
    """One lane's signals and the four planes they are transformed between."""

    def __init__(self, seed: int, points: int, trips: int, dtype: type[np.floating[Any]]) -> None:
        super().__init__()
        self.points, self.trips = points, trips
        batch = _ROW_BYTES // np.dtype(dtype).itemsize
        shape = (points * batch,)
        self.start = tuple(uniforms(seed, stream, shape, dtype) for stream in (0, 1))
        self.planes = tuple(_staggered(np.zeros(shape, dtype), place) for place in range(4))
        re, im = roots_of_unity(points)
        self.roots = re.astype(dtype), im.astype(dtype)
        self.scales = np.array([1.0, 1.0 / points], dtype)
        self.energy = self._energy(*self.start)
        transforms = 2 * trips + 1
        self.work_per_pass = 5.0 * points * log2(points) * batch * transforms
        self.tolerance = transforms * error_bound(points, dtype)

    def stages(self) -> tuple[Callable[[], None], ...]:
        """See :class:`Task`: copy the signal, round trips in four parts, the last transform."""
        return (self._begin, *([self._trips] * PARTS), self._finish)

    def _begin(self) -> None:
        np.copyto(self.planes[0], self.start[0])
        np.copyto(self.planes[1], self.start[1])

    def _trips(self) -> None:
        trips = self.trips // PARTS
        re, im = self.roots
        _round_trips(self.planes, self.points, re, im, self.scales, trips)

    def _finish(self) -> None:
        re, im = self.roots
        _forward(self.planes, self.points, re, im, self.scales)

    def digest(self) -> int:
        """See :class:`Task`."""
        return combine(fold(self.planes[2]), fold(self.planes[3]))

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        return combine(*(fold(array) for array in (*self.start, *self.roots, self.scales)))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`; before the last transform the intermediates hold the signal."""
        return {
            "input_re": self.start[0],
            "input_im": self.start[1],
            "intermediate_re": self.planes[0],
            "intermediate_im": self.planes[1],
            "result_re": self.planes[2],
            "result_im": self.planes[3],
        }

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`."""
        with np.errstate(over="ignore", invalid="ignore"):
            return (self._parseval(), self._inverse())

    def _energy(self, real: Plane, imaginary: Plane) -> Plane:
        """Sum of squares of each signal, in FP64."""
        wide = real.astype(np.float64) ** 2 + imaginary.astype(np.float64) ** 2
        energy: Plane = wide.reshape(self.points, -1).sum(axis=0)
        return energy

    def _parseval(self) -> Finding:
        found = self._energy(self.planes[2], self.planes[3]) / self.points
        within = np.abs(found / self.energy - 1.0) <= 2 * self.tolerance + 1e-12
        wrong = np.flatnonzero(~within)
        place = f", first signal {wrong[0]}" if wrong.size else ""
        return Finding("Parseval", not wrong.size, f"{wrong.size} energies differ{place}")

    def _inverse(self) -> Finding:
        from scipy.fft import ifft

        spectrum = self.planes[2].astype(np.complex128) + 1j * self.planes[3]
        back = ifft(spectrum.reshape(self.points, -1), axis=0)
        signal = (self.start[0] + 1j * self.start[1]).reshape(self.points, -1)
        norms = np.linalg.norm(back - signal, axis=0) / np.linalg.norm(signal, axis=0)
        wrong = np.flatnonzero(~(norms <= self.tolerance))
        place = f", first signal {wrong[0]}" if wrong.size else ""
        worst = f"largest relative error {np.max(norms):.2g}, bound {self.tolerance:.2g}"
        return Finding("inverse", not wrong.size, f"{wrong.size} signals differ{place}; {worst}")


def _staggered(plane: Plane, place: int) -> Plane:
    """The plane at a quarter of a page from its neighbours: power-of-two strides collide else."""
    return aligned(plane, _PAGE_BYTES, place * _PAGE_BYTES // 4)


def error_bound(points: int, dtype: type[np.floating[Any]]) -> float:
    """Relative error in the 2-norm of one transform (module docstring); roots good to u."""
    u = float(np.finfo(dtype).eps) / 2
    gamma = 4 * u / (1 - 4 * u)
    return log2(points) * (u + gamma * (sqrt(2) + u))


class _Fft(SizedWorkload):
    """What the two formats share."""

    version = 1
    family = "transform"
    unit = "flop"
    check = "digest of the spectrum; Parseval and the inverse transform locate a difference"
    shipped_golden = True
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "points": Parameter(1024, "points of a signal, a power of 4", low=64, high=1 << 20),
        "round_trips": Parameter(
            256, "forward and inverse transforms in a pass, a multiple of 4", low=4, high=1 << 20
        ),
    }
    slowest_per_second = 1e9
    dtype: ClassVar[type[np.floating[Any]]]

    def complete(self, given: Mapping[str, Any]) -> dict[str, Value]:
        """See :class:`Workload`; also points, and trips after which the invariants still see."""
        values = super().complete(given)
        require_power(values, "points", of=4)
        require_multiple(values, "round_trips")
        points = whole(values, "points")
        most = int((_MOST_TOLERANCE / error_bound(points, self.dtype) - 1) / 2)
        why = f"more of them with points: {points} round so much that no check would see an error"
        require_at_most(values, "round_trips", most, why, PARTS)
        return values

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`: six planes, the roots in both formats, invariants' temporaries."""
        points = whole(parameters, "points")
        signals = _ROW_BYTES // np.dtype(self.dtype).itemsize
        return points * (6 * _ROW_BYTES + 4 * 8 + 5 * 16 * signals) + 5 * _PAGE_BYTES

    def prepare(self, parameters: Parameters, seed: int) -> FftTask:
        """See :class:`Workload`."""
        points, trips = whole(parameters, "points"), whole(parameters, "round_trips")
        return FftTask(seed, points, trips, self.dtype)


class FftFp64(_Fft):
    """Double precision."""

    name = "fft-fp64"
    purpose = "strided loads and stores in the L2 cache with vector additions, double precision"
    dtype = np.float64
    goldens = _GOLDEN_FP64


class FftFp32(_Fft):
    """Single precision."""

    name = "fft-fp32"
    purpose = "strided loads and stores in the L2 cache with vector additions, single precision"
    dtype = np.float32
    goldens = _GOLDEN_FP32
