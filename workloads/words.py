"""Address-in-data words: filling them, and sweeps that compare every word with what it must be.

Word i of an array holds ``(start + i step) xor mask`` modulo 2^64: each word knows its address, so
one that went astray or was never written shows, and the mask (all zeros or all ones, the two data
backgrounds of a march test) tells a fresh word from a stale one. `step` is odd and near 2^64
divided by the golden ratio, the step of SplitMix64 (Steele, Lea and Flood 2014), so neighbouring
words differ in about half their bits.

A sweep ORs ``found xor expected`` over a block and looks at the outcome once a block. Nothing can
cancel in an OR, whereas two wrong top bits cancel in any sum; the sum kept beside it is there to
show that the words really were read. In a sweep that also writes, each word is compared before it
is overwritten, and what was found is kept for one block so that a wrong word can be told exactly.
That costs no memory traffic: an ordinary store fetches its cache line before it changes it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit, uint64

from workloads.prng import Draws

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Words = NDArray[np.uint64]

WORD_BYTES = 8
#: Words between two looks at the outcome; arrays hold a whole number of blocks (4 KiB).
BLOCK = 512
STEP = 0x9E3779B97F4A7C15
ALL_ONES = 0xFFFFFFFFFFFFFFFF
_MODULUS = 1 << 64
_PAGE_BYTES = 4096

# What a sweep writes down about one array; the first wrong word is told by place and bits.
COMPARED, SUM, WRONG, FIRST, EXPECTED, FOUND, BITS = range(7)
LOG_WORDS = 7


@njit(cache=True, nogil=True)
def fill_words(words, start, mask):  # type: ignore[no-untyped-def]
    """Write every word; `words` uint64, `start` and `mask` uint64."""
    for place in range(words.size):
        words[place] = (start + uint64(place) * uint64(STEP)) ^ mask


@njit(cache=True, nogil=True)
def note(row, found, expected, first):  # type: ignore[no-untyped-def]
    """Write the wrong words of one block into log row `row`; the block begins at word `first`."""
    for place in range(found.size):
        bits = found[place] ^ expected[place]
        if bits != uint64(0):
            if row[WRONG] == uint64(0):
                row[FIRST] = uint64(first) + uint64(place)
                row[EXPECTED] = expected[place]
                row[FOUND] = found[place]
            row[WRONG] += uint64(1)
            row[BITS] |= bits


@njit(cache=True, nogil=True)
def expected_block(first, step, mask):  # type: ignore[no-untyped-def]
    """The right words of one block whose first unmasked word is `first`."""
    block = np.empty(BLOCK, np.uint64)
    for place in range(BLOCK):
        block[place] = (first + uint64(place) * step) ^ mask
    return block


@njit(cache=True, nogil=True)
def check_words(words, start, mask, row):  # type: ignore[no-untyped-def]
    """Read and compare every word, ascending; what was seen is added to log row `row`."""
    step, total = uint64(STEP), uint64(0)
    for begin in range(0, words.size, BLOCK):
        block = words[begin : begin + BLOCK]
        first = start + uint64(begin) * step
        differing = uint64(0)
        for place in range(BLOCK):
            plain = block[place] ^ mask
            total += plain
            differing |= plain ^ (first + uint64(place) * step)
        if differing != uint64(0):
            note(row, block, expected_block(first, step, mask), begin)
        row[COMPARED] += uint64(BLOCK)
    row[SUM] += total


@njit(cache=True, nogil=True)
def rewrite_up(words, start, old, new, row):  # type: ignore[no-untyped-def]
    """Word by word, ascending: compare with background `old`, then write background `new`."""
    step, total = uint64(STEP), uint64(0)
    found = np.empty(BLOCK, np.uint64)
    for begin in range(0, words.size, BLOCK):
        block = words[begin : begin + BLOCK]
        first = start + uint64(begin) * step
        differing = uint64(0)
        for place in range(BLOCK):
            expected = first + uint64(place) * step
            found[place] = block[place]
            plain = found[place] ^ old
            total += plain
            differing |= plain ^ expected
            block[place] = expected ^ new
        if differing != uint64(0):
            note(row, found, expected_block(first, step, old), begin)
        row[COMPARED] += uint64(BLOCK)
    row[SUM] += total


@njit(cache=True, nogil=True)
def rewrite_down(words, start, old, new, row):  # type: ignore[no-untyped-def]
    """As `rewrite_up`, from the last word to the first."""
    step, total = uint64(STEP), uint64(0)
    found = np.empty(BLOCK, np.uint64)
    for begin in range(words.size - BLOCK, -1, -BLOCK):
        block = words[begin : begin + BLOCK]
        first = start + uint64(begin) * step
        differing = uint64(0)
        for place in range(BLOCK - 1, -1, -1):
            expected = first + uint64(place) * step
            found[place] = block[place]
            plain = found[place] ^ old
            total += plain
            differing |= plain ^ expected
            block[place] = expected ^ new
        if differing != uint64(0):
            note(row, found, expected_block(first, step, old), begin)
        row[COMPARED] += uint64(BLOCK)
    row[SUM] += total


def start_word(seed: int, stream: int = 0) -> int:
    """The 64-bit `start` that belongs to a task's seed; `stream` tells arrays of a task apart."""
    draws = Draws(seed)
    for _ in range(stream):
        draws.word()
    return draws.word()


def sum_of_words(start: int, step: int, count: int) -> int:
    """Sum modulo 2^64 of ``start + i step`` for i below `count` (arithmetic series)."""
    return (count * start + step * (count * (count - 1) // 2)) % _MODULUS


def whole_blocks(size_bytes: int) -> int:
    """Words in `size_bytes`, rounded down to whole blocks; one block at least."""
    return max(size_bytes // (BLOCK * WORD_BYTES), 1) * BLOCK


def aligned_words(count: int) -> Words:
    """`count` uint64 words, not initialised, the first at the start of a 4 KiB page."""
    raw = np.empty(count + _PAGE_BYTES // WORD_BYTES, np.uint64)
    skip = -raw.ctypes.data % _PAGE_BYTES // WORD_BYTES
    return raw[skip : skip + count]


def new_log(arrays: int) -> Words:
    """A log of zeros, one row an array."""
    return np.zeros((arrays, LOG_WORDS), np.uint64)
