"""The digest: every bit position, signs, order, length; an independent slow fold as oracle."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from workloads.digest import combine, first_difference, fold, fold_bytes

_WORD = 2**64 - 1
_COLUMNS = 32


def mix(word: int) -> int:
    """SplitMix64's finaliser in Python's integers."""
    word = (word ^ (word >> 30)) * 0xBF58476D1CE4E5B9 & _WORD
    word = (word ^ (word >> 27)) * 0x94D049BB133111EB & _WORD
    return word ^ (word >> 31)


def slow_fold(words: list[int]) -> int:
    """The module's docstring, word by word."""
    keys = [mix(column + 1) | 1 for column in range(_COLUMNS)]
    plain, running = [0] * _COLUMNS, [0] * _COLUMNS
    for place, word in enumerate(words):
        column = place % _COLUMNS
        value = word ^ keys[column]
        plain[column] += value + (value & 0xFFFFFFFF) * (value >> 32)
        running[column] += plain[column]
    state = mix((len(words) + 0x9E3779B97F4A7C15) & _WORD)
    for column in range(_COLUMNS):
        state = mix(state ^ (plain[column] & _WORD))
        state = mix((state + running[column]) & _WORD)
    return state


def random_words(count: int, seed: int = 1) -> NDArray[np.uint64]:
    return np.random.default_rng(seed).integers(0, 2**64, count, np.uint64)


#: Contents a digest must cope with: random, constant, numbers whose lower halves are all zero.
CONTENTS: dict[str, NDArray[Any]] = {
    "random": random_words(70),
    "zeros": np.zeros(70),
    "ones": np.full(70, _WORD, np.uint64),
    "small whole numbers": np.arange(70, dtype=np.float64),
    "normal FP32": np.random.default_rng(2).standard_normal(140).astype(np.float32),
}


@pytest.mark.parametrize("count", [0, 1, 31, 32, 33, 64, 1000])
def test_it_equals_a_slow_fold_in_integers_of_any_length(count: int) -> None:
    words = random_words(count)
    assert fold(words) == slow_fold([int(word) for word in words])


def test_its_finaliser_is_splitmix64s() -> None:
    """First output for seed 1234567: Vigna, https://prng.di.unimi.it/splitmix64.c."""
    assert mix((1234567 + 0x9E3779B97F4A7C15) & _WORD) == 6457827717110365317
    assert combine(5) == mix(1 * 0x9E3779B97F4A7C15 & _WORD ^ 5)


@pytest.mark.parametrize("content", CONTENTS)
def test_every_single_flipped_bit_changes_it(content: str) -> None:
    words = CONTENTS[content].copy().view(np.uint64)
    right = fold(words)
    unseen = []
    for place in range(words.size):
        for bit in range(64):
            words[place] ^= np.uint64(1 << bit)
            if fold(words) == right:
                unseen.append((place, bit))
            words[place] ^= np.uint64(1 << bit)
    assert unseen == []
    assert fold(words) == right


@pytest.mark.parametrize("size", [1, 7, 8, 9, 263])
def test_every_bit_of_bytes_that_fill_no_word_counts(size: int) -> None:
    data = np.random.default_rng(size).integers(0, 256, size, np.uint8)
    seen = {fold(data)}
    for place in range(size):
        for bit in range(8):
            data[place] ^= np.uint8(1 << bit)
            seen.add(fold(data))
            data[place] ^= np.uint8(1 << bit)
    assert len(seen) == 8 * size + 1


@pytest.mark.parametrize("content", CONTENTS)
@pytest.mark.parametrize("bit", [0, 31, 32, 52, 63])
def test_the_same_bit_flipped_in_any_two_words_of_a_column_changes_it(
    content: str, bit: int
) -> None:
    """A plain sum is blind to two flips of bit 63, a running sum to two at an even distance."""
    words = np.tile(CONTENTS[content].copy().view(np.uint64)[:64], 9)
    right = fold(words)
    for other in range(_COLUMNS, words.size, _COLUMNS):
        for place in (0, other):
            words[place] ^= np.uint64(1 << bit)
        assert fold(words) != right, f"words 0 and {other}"
        for place in (0, other):
            words[place] ^= np.uint64(1 << bit)


@pytest.mark.parametrize("content", ["normal", "whole", "constant"])
def test_a_row_whose_signs_all_change_changes_it(content: str) -> None:
    rows = {
        "normal": np.random.default_rng(3).standard_normal((8, 1024)),
        "whole": np.arange(1.0, 8193.0).reshape(8, 1024),
        "constant": np.full((8, 1024), 3.0),
    }[content]
    right = fold(rows)
    for row in range(8):
        changed = rows.copy()
        changed[row] *= -1.0
        assert fold(changed) != right
    assert fold(-rows) != right


@pytest.mark.parametrize("content", CONTENTS)
def test_any_two_unequal_words_that_change_places_change_it(content: str) -> None:
    words = CONTENTS[content].copy().view(np.uint64)
    right = fold(words)
    for first in range(words.size):
        for second in range(first):
            if words[first] == words[second]:
                continue
            words[[first, second]] = words[[second, first]]
            assert fold(words) != right, f"words {second} and {first}"
            words[[first, second]] = words[[second, first]]


def test_opposite_numbers_that_change_places_change_it_at_every_distance() -> None:
    """Their words differ in bit 63 alone, the one bit a running sum loses at even distances."""
    words = np.full(32 * 40, 2.0)
    words[0] = -2.0
    seen = {fold(words)}
    for place in range(1, words.size):
        words[[place - 1, place]] = words[[place, place - 1]]
        seen.add(fold(words))
    assert len(seen) == words.size


def test_reversed_and_rotated_arrays_have_other_digests() -> None:
    words = random_words(4096)
    others = [words[::-1].copy(), np.roll(words, 1), np.roll(words, 32), np.roll(words, 64)]
    assert len({fold(array) for array in (words, *others)}) == 5


def test_the_length_counts_even_where_the_rest_is_zero() -> None:
    assert len({fold(np.zeros(size, np.uint8)) for size in range(600)}) == 600


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=600), st.binary(max_size=600))
def test_different_bytes_have_different_digests(first: bytes, second: bytes) -> None:
    assert (fold_bytes(first) == fold_bytes(second)) == (first == second)


def test_bytes_writable_bytes_views_and_arrays_agree() -> None:
    data = bytes(random_words(77).tobytes())
    digests = {fold_bytes(data), fold_bytes(bytearray(data)), fold_bytes(memoryview(data))}
    assert digests == {fold(np.frombuffer(data, np.uint64))}


def test_the_shape_does_not_count_but_the_values_do() -> None:
    words = random_words(1024)
    assert fold(words.reshape(32, 32)) == fold(words)
    assert fold(words.reshape(32, 32).T) != fold(words)


def test_combining_keeps_order_and_number() -> None:
    digests = {combine(), combine(0), combine(0, 0), combine(1, 2), combine(2, 1), combine(1, 2, 0)}
    assert len(digests) == 6
    assert len({combine(1 << bit, 7) for bit in range(64)}) == 64
    assert all(0 <= digest <= _WORD for digest in digests)


def test_no_two_of_many_random_arrays_share_a_digest() -> None:
    words = random_words(100_000)
    assert len({fold(words[start : start + 5]) for start in range(0, words.size, 5)}) == 20_000


def test_a_difference_names_place_bits_and_how_many() -> None:
    right = {"result": np.arange(12, dtype=np.float32).reshape(3, 4)}
    found = {"result": right["result"].copy()}
    found["result"][1, 2] = -6.0
    found["result"][2, 3] = 0.0
    difference = first_difference(found, right)
    assert difference is not None
    assert (difference.index, difference.elements) == ((1, 2), 2)
    assert (difference.expected_bits, difference.found_bits) == ("0x40c00000", "0xc0c00000")
    assert difference.describe() == (
        "2 element(s) of result differ, first at [1, 2]: expected 0x40c00000, found 0xc0c00000"
    )


def test_equal_results_have_no_difference_not_even_equal_nans() -> None:
    right = {"result": np.array([np.nan, 0.0])}
    assert first_difference({"result": right["result"].copy()}, right) is None


def test_a_negative_zero_differs_from_zero() -> None:
    difference = first_difference({"result": np.array([-0.0])}, {"result": np.array([0.0])})
    assert difference is not None
    assert difference.found_bits == "0x8000000000000000"


def test_a_result_of_another_shape_is_a_difference() -> None:
    difference = first_difference({"result": np.zeros(3)}, {"result": np.zeros(4)})
    assert difference is not None
    assert (difference.expected_bits, difference.elements) == ("shape (4,)", 4)
