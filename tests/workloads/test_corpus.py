"""The corpus against a plain Python writer of the same text, and its likeness to prose."""

from __future__ import annotations

import zlib
from bisect import bisect_right
from collections import Counter

import pytest

from workloads import corpus
from workloads.prng import Draws

WORD = (1 << 64) - 1


def mixed(word: int) -> int:
    """SplitMix64's finaliser."""
    word = ((word ^ (word >> 30)) * 0xBF58476D1CE4E5B9) & WORD
    word = ((word ^ (word >> 27)) * 0x94D049BB133111EB) & WORD
    return word ^ (word >> 31)


class PlainWriter:
    """The corpus as its docstring tells it, with strings and lists."""

    onsets = ("b", "c", "d", "f", "g", "h", "l", "m", "n", "p", "r", "s", "t", "v", "w")
    onsets += ("br", "cl", "st", "th", "sh")
    vowels = "aeiouaeo"
    codas = "nrstlmd"

    def __init__(self, seed: int) -> None:
        seeds = Draws(seed)
        vocabulary_draws, self.seed = Draws(seeds.word()), seeds.word()
        self.words = [self.spell(rank, vocabulary_draws.word()) for rank in range(8192)]
        self.cumulative: list[int] = []
        total = 0
        for rank in range(8192):
            total += (1 << 32) // (rank + 3)
            self.cumulative.append(total)

    def spell(self, rank: int, bits: int) -> str:
        syllables = 1 + (rank > 24) + (rank > 700) + (bits >> 60 == 0)
        word = ""
        for _ in range(syllables):
            word += self.onsets[bits % 20]
            bits = mixed(bits)
            word += self.vowels[bits % 8]
            if bits >> 8 & 1:
                word += self.codas[(bits >> 16) % 7]
            bits = mixed((bits + 1) & WORD)
        return word

    def rank(self, draw: int) -> int:
        return bisect_right(self.cumulative, draw % self.cumulative[-1])

    def text(self, size: int) -> bytes:
        draws, last, capital, parts, length = Draws(self.seed), 0, True, [], 0
        while length < size:
            draw = draws.word()
            if draw % 5 < 2:
                last = self.rank(mixed(self.seed ^ (last * 6 + (draw >> 8) % 6)))
            else:
                last = self.rank(draw >> 8)
            word, kind = self.words[last], draw >> 40 & 63
            parts.append((word.capitalize() if capital else word) + self.ending(kind, draw))
            length += len(parts[-1])
            capital = 5 <= kind < 9
        return "".join(parts).encode()[:size]

    def ending(self, kind: int, draw: int) -> str:
        if kind < 5:
            return ", "
        if kind < 9:
            return ".\n " if kind == 8 else ". "
        return f" {(draw >> 48) % 10000:04d} " if kind == 9 else " "


@pytest.mark.parametrize("seed", [1, 2, WORD])
def test_the_compiled_writer_writes_what_plain_python_writes(seed: int) -> None:
    assert corpus.text(seed, 60_000).tobytes() == PlainWriter(seed).text(60_000)


def test_a_longer_corpus_begins_with_the_shorter_one() -> None:
    long = corpus.text(5, 20_000)
    for size in (1, 7, 4096, 19_999):
        assert corpus.text(5, size).tobytes() == long[:size].tobytes()


def test_the_corpus_is_writable_and_its_own() -> None:
    first, second = corpus.text(1, 100), corpus.text(1, 100)
    first[:] = 0
    assert second.any()


def test_different_seeds_give_different_texts() -> None:
    assert len({corpus.text(seed, 1000).tobytes() for seed in range(20)}) == 20


def test_the_corpus_compresses_about_as_prose_does() -> None:
    """English prose shrinks to a third or half under DEFLATE (common practice, no source)."""
    text = corpus.text(1, 1 << 19).tobytes()
    assert 1 / 3 < len(zlib.compress(text, 6)) / len(text) < 1 / 2


def test_word_frequencies_fall_as_one_over_rank() -> None:
    """Zipf 1949: the tenth word is about a tenth as frequent as the first (3 added to ranks)."""
    letters = corpus.text(1, 1 << 20).tobytes().decode().lower()
    counts = [count for _, count in Counter(letters.replace(",", "").split()).most_common(100)]
    assert 2 < counts[0] / counts[9] < 8
    assert 5 < counts[9] / counts[99] < 15


def test_only_printable_characters_and_line_ends_come_up() -> None:
    assert set(corpus.text(3, 1 << 18).tobytes()) <= set(range(32, 127)) | {10}
