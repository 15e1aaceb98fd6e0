"""Seeded pseudo-random numbers in compiled integer arithmetic: the same bits on every machine.

The counter-based form (`splitmix64_at`) lets a kernel ask for the n-th number without the ones
before it, so a pixel, a row or a word has its numbers whatever the order.

Source: Steele, Lea and Flood (2014), "Fast splittable pseudorandom number generators", OOPSLA
(SplitMix64).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit, uint64

if TYPE_CHECKING:
    from numpy.typing import NDArray

_WORD = 0xFFFFFFFFFFFFFFFF
_GAMMA = 0x9E3779B97F4A7C15
_MIX_1 = 0xBF58476D1CE4E5B9
_MIX_2 = 0x94D049BB133111EB


@njit(cache=True, nogil=True, inline="always")
def mix64(word):  # type: ignore[no-untyped-def]
    """SplitMix64's finaliser: a bijection of 64-bit words in which every input bit counts."""
    word = (word ^ (word >> uint64(30))) * uint64(_MIX_1)
    word = (word ^ (word >> uint64(27))) * uint64(_MIX_2)
    return word ^ (word >> uint64(31))


@njit(cache=True, nogil=True, inline="always")
def splitmix64_at(seed, index):  # type: ignore[no-untyped-def]
    """Output number `index` (from 0) of SplitMix64 started with `seed`; both uint64."""
    return mix64(seed + (index + uint64(1)) * uint64(_GAMMA))


@njit(cache=True, nogil=True)
def splitmix64_fill(out, seed):  # type: ignore[no-untyped-def]
    """Fill a uint64 array with the outputs of SplitMix64 started with `seed` (uint64)."""
    state = seed
    for place in range(out.size):
        state += uint64(_GAMMA)
        out[place] = mix64(state)


def splitmix64(seed: int, count: int) -> NDArray[np.uint64]:
    """The first `count` outputs of SplitMix64 started with `seed` (taken modulo 2^64)."""
    out = np.empty(count, np.uint64)
    splitmix64_fill(out, np.uint64(seed & _WORD))
    return out


class Draws:
    """SplitMix64 in plain Python, for generators of programs and texts that draw little."""

    def __init__(self, seed: int) -> None:
        self._state = seed & _WORD

    def word(self) -> int:
        """The next 64-bit output."""
        self._state = (self._state + _GAMMA) & _WORD
        word = self._state
        word = (word ^ word >> 30) * _MIX_1 & _WORD
        word = (word ^ word >> 27) * _MIX_2 & _WORD
        return word ^ word >> 31

    def below(self, limit: int) -> int:
        """An integer in [0, limit): the high half of word times limit (no modulo bias to speak of).

        Source: Lemire (2019), "Fast random integer generation in an interval", ACM TOMACS 29(1),
        without its rejection step: the bias is at most limit / 2^64.
        """
        return self.word() * limit >> 64

    def between(self, low: int, high: int) -> int:
        """An integer in [low, high], both ends included."""
        return low + self.below(high - low + 1)

    def one_in(self, chances: int) -> bool:
        """True once in `chances` on average."""
        return self.below(chances) == 0
