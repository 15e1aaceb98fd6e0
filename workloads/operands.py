"""Seeded operands for the numeric kernels: integers, uniform and normal numbers, counter-based.

Every value comes from SplitMix64 (`workloads.prng`) by IEEE additions, multiplications, divisions
and square roots alone, all correctly rounded, so the same seed gives the same bits on every
machine and under every version of the libraries.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numba import float64, int64, njit, uint64

from workloads.prng import splitmix64_at

if TYPE_CHECKING:
    from numpy.typing import DTypeLike, NDArray

    Operand = NDArray[Any]

_WORD = 0xFFFFFFFFFFFFFFFF


@njit(cache=True, nogil=True)
def _fill_integers(out, seed, bound):  # type: ignore[no-untyped-def]
    span = uint64(2 * bound + 1)
    for place in range(out.size):
        out[place] = int64(splitmix64_at(seed, uint64(place)) % span) - bound


@njit(cache=True, nogil=True, inline="always")
def _unit(word):  # type: ignore[no-untyped-def]
    """A multiple of 2^-53 in [0, 1) from the word's upper 53 bits."""
    return float64(word >> uint64(11)) * 1.1102230246251565e-16


@njit(cache=True, nogil=True)
def _fill_uniforms(out, seed):  # type: ignore[no-untyped-def]
    for place in range(out.size):
        out[place] = 2.0 * _unit(splitmix64_at(seed, uint64(place))) - 1.0


@njit(cache=True, nogil=True)
def _log_below_one(value):  # type: ignore[no-untyped-def]
    """Natural logarithm of a value in (0, 1] to about 1e-16: log m = 2 atanh((m-1)/(m+1))."""
    halvings = 0
    while value < 0.7071067811865476:
        value *= 2.0
        halvings += 1
    ratio = (value - 1.0) / (value + 1.0)
    square = ratio * ratio
    series = 0.0
    for term in range(12, -1, -1):
        series = series * square + 1.0 / (2.0 * term + 1.0)
    return 2.0 * ratio * series - halvings * 0.6931471805599453


@njit(cache=True, nogil=True)
def _fill_normals(out, seed):  # type: ignore[no-untyped-def]
    place, draw = 0, uint64(0)
    while place < out.size:
        first = 2.0 * _unit(splitmix64_at(seed, draw)) - 1.0
        second = 2.0 * _unit(splitmix64_at(seed, draw + uint64(1))) - 1.0
        draw += uint64(2)
        radius = first * first + second * second
        if radius >= 1.0 or radius == 0.0:
            continue
        scale = np.sqrt(-2.0 * _log_below_one(radius) / radius)
        out[place] = first * scale
        if place + 1 < out.size:
            out[place + 1] = second * scale
        place += 2


def _start(seed: int, stream: int) -> np.uint64:
    """The seed of one of many streams: output number `stream` of SplitMix64 started with `seed`."""
    return np.uint64(splitmix64_at(np.uint64(seed & _WORD), np.uint64(stream)))


def integers(
    seed: int, stream: int, shape: tuple[int, ...], bound: int, dtype: DTypeLike
) -> Operand:
    """Integers in [-bound, bound] as `dtype` (which must hold them exactly), C order."""
    out = np.empty(shape, dtype)
    _fill_integers(out.reshape(-1), _start(seed, stream), bound)
    return out


def uniforms(seed: int, stream: int, shape: tuple[int, ...], dtype: DTypeLike) -> Operand:
    """Numbers uniform in [-1, 1), 53 random bits rounded to `dtype`, C order."""
    out = np.empty(shape, dtype)
    _fill_uniforms(out.reshape(-1), _start(seed, stream))
    return out


def normals(seed: int, stream: int, shape: tuple[int, ...], dtype: DTypeLike) -> Operand:
    """Standard normal numbers rounded to `dtype`, C order.

    Source: the polar method, Marsaglia and Bray (1964), SIAM Review 6(3):260-264; the logarithm
    is summed here, since a library's last bit differs between versions.
    """
    out = np.empty(shape, dtype)
    _fill_normals(out.reshape(-1), _start(seed, stream))
    return out


def aligned(array: Operand, boundary_bytes: int = 64, offset_bytes: int = 0) -> Operand:
    """A C-ordered copy whose first element lies `offset_bytes` after a multiple of the boundary.

    A vector load that straddles two cache lines costs up to a third of a kernel's speed; arrays
    that are read and written together should lie at different offsets in their pages, or the
    CPU takes stores to one for stores to the other.
    """
    raw = np.empty(array.nbytes + boundary_bytes + offset_bytes, np.uint8)
    skip = -raw.ctypes.data % boundary_bytes + offset_bytes
    copy = raw[skip : skip + array.nbytes].view(array.dtype).reshape(array.shape)
    np.copyto(copy, array)
    return copy
