"""Roots of unity, correctly rounded, from integer arithmetic: the same bits on every machine.

Library sines differ in the last bit between versions and SIMD levels, so they cannot stand in a
kernel whose golden digest ships. Here cosine and sine are summed as Taylor series in fixed point
with 192 fraction bits; pi comes from Machin's formula, pi/4 = 4 atan(1/5) - atan(1/239)
(J. Machin, 1706; in W. Jones, Synopsis Palmariorum Matheseos).
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_FRACTION_BITS = 192
_ONE = 1 << _FRACTION_BITS


def _arctangent_of_inverse(denominator: int) -> int:
    """atan(1 / denominator) in fixed point."""
    power, total, term = _ONE // denominator, 0, 0
    while power:
        total += (-1) ** term * (power // (2 * term + 1))
        power //= denominator * denominator
        term += 1
    return total


@lru_cache(maxsize=1)
def pi_fixed() -> int:
    """Pi in fixed point (192 fraction bits), off by less than 2^-180."""
    return 4 * (4 * _arctangent_of_inverse(5) - _arctangent_of_inverse(239))


def _cosine_sine(angle: int) -> tuple[int, int]:
    """Cosine and sine of a fixed-point angle in [0, pi/4], in fixed point."""
    sums, term, count = [0, 0], _ONE, 0
    while term:
        sums[count % 2] += -term if count % 4 >= 2 else term
        count += 1
        term = term * angle >> _FRACTION_BITS
        term //= count
    return sums[0], sums[1]


@lru_cache(maxsize=4)
def roots_of_unity(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Real and imaginary parts of exp(-2 pi i k / count), k = 0 .. count - 1; 8 divides count.

    The arrays are shared and read-only.
    """
    eighth = count // 8
    unit = 2 * pi_fixed() // count
    pairs = [_cosine_sine(unit * k) for k in range(eighth + 1)]
    # int / int division in Python is correctly rounded, whatever the size of the integers.
    cosines = [cosine / _ONE for cosine, _ in pairs]
    sines = [sine / _ONE for _, sine in pairs]
    quarter = np.array(cosines[:-1] + sines[:0:-1])
    mirrored = np.concatenate([[0.0], quarter[:0:-1]])
    # "0.0 - x" rather than "-x": a zero must not become negative.
    cosine = np.concatenate([quarter, 0.0 - mirrored, 0.0 - quarter, mirrored])
    minus_sine = 0.0 - np.roll(cosine, count // 4)
    cosine.setflags(write=False)
    minus_sine.setflags(write=False)
    return cosine, minus_sine
