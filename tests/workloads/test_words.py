"""Sweeps over address-in-data words; oracles: numpy and Python integers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from workloads import words as w

Words = NDArray[np.uint64]
Sweep = Callable[[Words, np.uint64], None]

COUNT = 4 * w.BLOCK
START = 0x0123456789ABCDEF
ZERO, ONES = np.uint64(0), np.uint64(w.ALL_ONES)


def slow_words(start: int, count: int, mask: int = 0) -> list[int]:
    return [((start + place * w.STEP) ^ mask) & w.ALL_ONES for place in range(count)]


def check(words: Words, row: Words) -> None:
    w.check_words(words, np.uint64(START), ZERO, row)


def up(words: Words, row: Words) -> None:
    w.rewrite_up(words, np.uint64(START), ZERO, ONES, row)


def down(words: Words, row: Words) -> None:
    w.rewrite_down(words, np.uint64(START), ZERO, ONES, row)


SWEEPS: list[Any] = [check, up, down]


def filled(mask: int = 0) -> Words:
    words = w.aligned_words(COUNT)
    w.fill_words(words, np.uint64(START), np.uint64(mask))
    return words


@pytest.mark.parametrize("mask", [0, w.ALL_ONES])
def test_fill_writes_the_formula_of_the_module(mask: int) -> None:
    assert filled(mask).tolist() == slow_words(START, COUNT, mask)


@pytest.mark.parametrize("sweep", SWEEPS)
def test_a_sweep_of_right_words_counts_and_sums_all_of_them(sweep: Sweep) -> None:
    row = w.new_log(1)[0]
    sweep(filled(), row)
    expected = [COUNT, sum(slow_words(START, COUNT)) % 2**64, *[0] * (w.LOG_WORDS - 2)]
    assert row.tolist() == expected


@pytest.mark.parametrize("sweep", SWEEPS[1:])
def test_a_rewriting_sweep_leaves_the_other_background_everywhere(sweep: Sweep) -> None:
    words = filled()
    sweep(words, w.new_log(1)[0])
    assert words.tolist() == slow_words(START, COUNT, w.ALL_ONES)


@pytest.mark.parametrize("sweep", SWEEPS)
@pytest.mark.parametrize("place", [0, 1, w.BLOCK - 1, w.BLOCK, COUNT - 1])
def test_each_single_bit_is_seen_and_told_by_place_and_bits(sweep: Sweep, place: int) -> None:
    for bit in range(64):
        words, row = filled(), w.new_log(1)[0]
        right = int(words[place])
        words[place] ^= np.uint64(1 << bit)
        sweep(words, row)
        told = [int(row[at]) for at in (w.WRONG, w.FIRST, w.EXPECTED, w.FOUND, w.BITS)]
        assert told == [1, place, right, right ^ (1 << bit), 1 << bit]


@pytest.mark.parametrize("sweep", SWEEPS)
def test_two_wrong_top_bits_do_not_cancel(sweep: Sweep) -> None:
    words, row = filled(), w.new_log(1)[0]
    right_sum = int(words.sum(dtype=np.uint64))
    words[[10, 74]] ^= np.uint64(1 << 63)
    assert int(words.sum(dtype=np.uint64)) == right_sum  # any plain sum is blind to the pair
    sweep(words, row)
    assert row[w.WRONG] == 2


@pytest.mark.parametrize("sweep", SWEEPS)
def test_a_word_of_a_neighbour_is_wrong_though_all_its_bits_are_sound(sweep: Sweep) -> None:
    words, row = filled(), w.new_log(1)[0]
    words[7] = words[8]
    sweep(words, row)
    assert (row[w.WRONG], row[w.FIRST]) == (1, 7)


@pytest.mark.parametrize("sweep", SWEEPS[1:])
def test_a_word_that_was_never_rewritten_is_wrong_in_the_next_sweep(sweep: Sweep) -> None:
    words, row = filled(), w.new_log(1)[0]
    sweep(words, w.new_log(1)[0])
    words[100] = slow_words(START, 101)[100]  # as if the store had been lost
    w.check_words(words, np.uint64(START), ONES, row)
    assert (row[w.WRONG], row[w.FIRST], row[w.BITS]) == (1, 100, w.ALL_ONES)


def test_order_of_visits_shows_where_two_addresses_share_memory(aliased_words: Words) -> None:
    # Ascending, the first page is met with the second's words; descending, it is met after the
    # second was rewritten. Each order finds the first page wrong, with different contents.
    row_up, row_down = w.new_log(1)[0], w.new_log(1)[0]
    w.fill_words(aliased_words, np.uint64(START), ZERO)  # the second page's words end up in both
    up(aliased_words, row_up)
    w.fill_words(aliased_words, np.uint64(START), ZERO)
    down(aliased_words, row_down)
    second_page = slow_words(START, w.BLOCK + 1)[w.BLOCK]
    assert row_up[w.WRONG] == 2 * w.BLOCK  # first page stale, second overwritten by the first
    assert row_down[w.WRONG] == w.BLOCK  # only the first page, visited last
    assert row_up[w.FOUND] == second_page
    assert row_down[w.FOUND] == second_page ^ w.ALL_ONES


@pytest.mark.parametrize("count", [1, 2, 513, 100_000])
def test_sum_of_words_is_the_sum_of_the_words(count: int) -> None:
    assert w.sum_of_words(START, w.STEP, count) == sum(slow_words(START, count)) % 2**64


def test_streams_of_a_seed_differ_and_repeat() -> None:
    starts = [w.start_word(seed, stream) for seed in (1, 2) for stream in (0, 1, 2)]
    assert len(set(starts)) == 6
    assert starts[1] == w.start_word(1, 1)


@pytest.mark.parametrize(
    ("size_bytes", "words"), [(0, 512), (4095, 512), (4096, 512), (8191, 512), (1 << 20, 1 << 17)]
)
def test_sizes_are_rounded_down_to_whole_blocks(size_bytes: int, words: int) -> None:
    assert w.whole_blocks(size_bytes) == words


@pytest.mark.parametrize("count", [1, 512, 100_001])
def test_aligned_words_begin_at_a_page(count: int) -> None:
    words = w.aligned_words(count)
    assert words.size == count
    assert words.ctypes.data % 4096 == 0
