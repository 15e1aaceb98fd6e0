"""A seeded corpus that compresses like prose: the input of the compression workloads.

A vocabulary of made-up words is drawn first. Words then follow each other with frequencies that
fall as 1/rank (Zipf 1949, "Human Behavior and the Principle of Least Effort"), and two words in
five are one of a few usual followers of the word before, as in running text (a first-order Markov
chain; Shannon 1948, "A Mathematical Theory of Communication", section 3). Sentences, numbers
and paragraphs break the flow. Only integer arithmetic is used, so a seed and a size mean the same
bytes everywhere; a longer corpus begins with the shorter one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit, uint64

from workloads.prng import mix64, splitmix64_at, splitmix64_fill

if TYPE_CHECKING:
    from numpy.typing import NDArray

VOCABULARY = 8192
LONGEST_WORD = 16
_USUAL_FOLLOWERS = 6
_ONSETS = b"b c d f g h l m n p r s t v w brclstthsh"
_VOWELS = b"aeiouaeo"
_CODAS = b"nrstlmd"
_SPACE, _COMMA, _STOP, _NEWLINE = 32, 44, 46, 10


@njit(cache=True, nogil=True)
def _spell(seed, letters, lengths, onsets, vowels, codas):  # type: ignore[no-untyped-def]
    """Write word after word: frequent words have few syllables, as in languages (Zipf)."""
    for word in range(lengths.size):
        bits = splitmix64_at(seed, uint64(word))
        syllables = 1 + (word > 24) + (word > 700) + (bits >> uint64(60) == uint64(0))
        length = 0
        for _ in range(syllables):
            pair = (bits % uint64(onsets.size // 2)) * uint64(2)
            for letter in onsets[pair : pair + uint64(2)]:
                if letter != _SPACE:
                    letters[word, length] = letter
                    length += 1
            bits = mix64(bits)
            letters[word, length] = vowels[bits & uint64(7)]
            length += 1
            if (bits >> uint64(8)) & uint64(1):
                letters[word, length] = codas[(bits >> uint64(16)) % uint64(codas.size)]
                length += 1
            bits = mix64(bits + uint64(1))
        lengths[word] = length


@njit(cache=True, nogil=True)
def _rank(cumulative, draw):  # type: ignore[no-untyped-def]
    """The word whose share of the 1/rank weights holds `draw` (uint64)."""
    target = draw % cumulative[-1]
    low, high = 0, cumulative.size - 1
    while low < high:
        middle = (low + high) >> 1
        if cumulative[middle] > target:
            high = middle
        else:
            low = middle + 1
    return low


@njit(cache=True, nogil=True, inline="always")
def _next_word(seed, cumulative, last, draw):  # type: ignore[no-untyped-def]
    if draw % uint64(5) < uint64(2):
        follower = (draw >> uint64(8)) % uint64(_USUAL_FOLLOWERS)
        return _rank(cumulative, mix64(seed ^ (uint64(last * _USUAL_FOLLOWERS) + follower)))
    return _rank(cumulative, draw >> uint64(8))


@njit(cache=True, nogil=True)
def _ending(out, place, draw):  # type: ignore[no-untyped-def]
    """What follows a word: a space, mostly; now and then a comma, a number, a full stop."""
    kind = (draw >> uint64(40)) & uint64(63)
    if kind < uint64(5):
        out[place] = _COMMA
        place += 1
    elif kind < uint64(9):
        out[place] = _STOP
        place += 1
        if kind == uint64(8):
            out[place] = _NEWLINE
            place += 1
    elif kind == uint64(9):
        out[place] = _SPACE
        place += 1
        digits = (draw >> uint64(48)) % uint64(10000)
        for power in (uint64(1000), uint64(100), uint64(10), uint64(1)):
            out[place] = 48 + (digits // power) % uint64(10)
            place += 1
    out[place] = _SPACE
    return place + 1


@njit(cache=True, nogil=True)
def _write(seed, out, size, letters, lengths, cumulative):  # type: ignore[no-untyped-def]
    """Write text into `out` until at least `size` bytes stand there; `out` has room to spare."""
    place, last, step = 0, 0, uint64(0)
    capital = True
    while place < size:
        draw = splitmix64_at(seed, step)
        step += uint64(1)
        last = _next_word(seed, cumulative, last, draw)
        for letter in range(lengths[last]):
            out[place + letter] = letters[last, letter]
        if capital:
            out[place] -= 32
        capital = uint64(5) <= ((draw >> uint64(40)) & uint64(63)) < uint64(9)
        place = _ending(out, place + lengths[last], draw)


def _vocabulary(seed: np.uint64) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    letters = np.zeros((VOCABULARY, LONGEST_WORD), np.uint8)
    lengths = np.zeros(VOCABULARY, np.int64)
    tables = [np.frombuffer(table, np.uint8) for table in (_ONSETS, _VOWELS, _CODAS)]
    _spell(seed, letters, lengths, *tables)
    return letters, lengths


def text(seed: int, size: int) -> NDArray[np.uint8]:
    """`size` bytes of corpus number `seed`, as a writable uint8 array."""
    seeds = np.empty(2, np.uint64)
    splitmix64_fill(seeds, np.uint64(seed & 0xFFFFFFFFFFFFFFFF))
    letters, lengths = _vocabulary(seeds[0])
    ranks = np.arange(VOCABULARY, dtype=np.uint64) + np.uint64(3)
    cumulative = np.cumsum(np.uint64(1 << 32) // ranks, dtype=np.uint64)
    room = np.empty(size + 2 * LONGEST_WORD, np.uint8)
    _write(seeds[1], room, size, letters, lengths, cumulative)
    return room[:size].copy()
