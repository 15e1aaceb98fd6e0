"""Bandwidth loads: contents and goldens remade with numpy, single faults placed by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from workloads.bandwidth import (
    MemoryMultiplyAdd,
    MemoryRead,
    MemoryTransfer,
    MemoryWrite,
    number_series,
)
from workloads.contract import Finding, Task
from workloads.digest import fold
from workloads.words import ALL_ONES, BLOCK, LOG_WORDS, STEP, start_word

KINDS: list[Any] = [MemoryRead, MemoryWrite, MemoryTransfer, MemoryMultiplyAdd]
SEED = 20
SMALL = {"mebibytes": 1}


def bits(array: NDArray[Any]) -> NDArray[np.uint64]:
    return array.view(np.uint64)


def memory_of(task: Task) -> list[str]:
    return [name for name in task.buffers() if not name.startswith("result")]


ARRAYS = [
    (kind, name) for kind in KINDS for name in memory_of(kind().prepare({"mebibytes": 1}, SEED))
]


def prepared(kind: Any) -> tuple[Any, int]:
    return kind().prepare(SMALL, SEED), kind().golden(SMALL, SEED)


def wrong(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.name for finding in findings if not finding.ok]


@pytest.mark.parametrize("kind", KINDS)
def test_every_pass_gives_the_golden_and_changes_no_input(kind: Any) -> None:
    task, golden = prepared(kind)
    inputs = task.inputs_digest()
    for _ in range(3):
        task.execute()
        assert task.digest() == golden
        assert task.inputs_digest() == inputs
        assert wrong(task.invariants()) == []


def test_words_read_are_the_formula_and_the_golden_is_their_sum() -> None:
    task, golden = prepared(MemoryRead)
    place = np.arange(task.words.size, dtype=np.uint64)
    assert np.array_equal(task.words, np.uint64(start_word(SEED)) + place * np.uint64(STEP))
    row = [task.words.size, int(task.words.sum(dtype=np.uint64)), *[0] * (LOG_WORDS - 2)]
    assert golden == fold(np.array([row], np.uint64))


def test_the_golden_of_a_write_is_two_sweeps_of_the_words_as_numpy_sums_them() -> None:
    task, golden = prepared(MemoryWrite)
    total = 2 * int(task.words.sum(dtype=np.uint64)) % 2**64
    row = [2 * task.words.size, total, *[0] * (LOG_WORDS - 2)]
    assert golden == fold(np.array([row], np.uint64))


def test_the_golden_of_a_transfer_has_a_row_for_each_side() -> None:
    task, golden = prepared(MemoryTransfer)
    total = 2 * int(task.source.sum(dtype=np.uint64)) % 2**64
    row = [2 * task.source.size, total, *[0] * (LOG_WORDS - 2)]
    assert golden == fold(np.array([row, row], np.uint64))


def test_the_golden_of_a_multiply_add_sums_the_operands_bits() -> None:
    task, golden = prepared(MemoryMultiplyAdd)
    sums = [2 * int(bits(side).sum(dtype=np.uint64)) % 2**64 for side in (task.left, task.right)]
    rows = [[2 * task.left.size, total, *[0] * (LOG_WORDS - 2)] for total in (*sums, 0)]
    assert golden == fold(np.array(rows, np.uint64))


def test_numbers_lie_in_1_to_2_and_are_all_different() -> None:
    task, _ = prepared(MemoryMultiplyAdd)
    for side in (task.left, task.right):
        assert np.all((side >= 1.0) & (side < 2.0))
        assert np.unique(side).size == side.size


@pytest.mark.parametrize("words", [BLOCK, 10_240, 1 << 30])
def test_number_series_end_below_2_whatever_the_size(words: int) -> None:
    left, right, step = number_series(words, SEED)
    below_two = 0x4000000000000000
    assert step % 2 == 1
    assert all(0x3FF0000000000000 <= start < below_two for start in (left, right))
    assert all(start + (words - 1) * step < below_two for start in (left, right))


def test_a_multiply_add_leaves_what_numpy_computes() -> None:
    task, _ = prepared(MemoryMultiplyAdd)
    task.execute()
    assert np.array_equal(task.target, task.left + 3.0 * task.right)


def test_a_transfer_leaves_the_source_in_the_target() -> None:
    task, _ = prepared(MemoryTransfer)
    task.target[:] = task.source
    task.execute()
    assert np.array_equal(task.target, task.source)


@pytest.mark.parametrize(("kind", "name"), ARRAYS)
def test_each_bit_of_a_word_is_seen_by_the_next_pass(kind: Any, name: str) -> None:
    task, golden = prepared(kind)
    words = bits(task.buffers()[name])
    for bit in range(64):
        words[1234] ^= np.uint64(1 << bit)
        task.execute()
        assert task.digest() != golden
        if name.startswith("input"):
            words[1234] ^= np.uint64(1 << bit)
        task.execute()
        assert task.digest() == golden, "one fault fails one pass"


@pytest.mark.parametrize(("kind", "name"), ARRAYS)
def test_first_and_last_words_and_block_edges_are_seen(kind: Any, name: str) -> None:
    task, golden = prepared(kind)
    words = bits(task.buffers()[name])
    for place in (0, BLOCK - 1, BLOCK, words.size - 1):
        words[place] ^= np.uint64(1)
        task.execute()
        assert task.digest() != golden
        (broken,) = [item for item in task.watched() if item.name == name.partition("_")[2]]
        difference = broken.difference()
        assert difference is not None
        assert difference.index == (place,)
        words[place] ^= np.uint64(1 if name.startswith("input") else 0)
        task.execute()


@pytest.mark.parametrize(("kind", "name"), ARRAYS)
def test_two_top_bits_of_one_column_do_not_cancel(kind: Any, name: str) -> None:
    task, golden = prepared(kind)
    bits(task.buffers()[name])[[64, 128]] ^= np.uint64(1 << 63)
    task.execute()
    assert task.digest() != golden


@pytest.mark.parametrize("kind", [MemoryWrite, MemoryTransfer])
def test_a_store_of_the_last_sweep_that_was_lost_is_seen_in_the_next_pass(kind: Any) -> None:
    task, golden = prepared(kind)
    task.execute()
    array = task.buffers()[memory_of(task)[-1]]
    array[777] ^= np.uint64(ALL_ONES)  # what the first sweep wrote there
    assert task.digest() == golden
    task.execute()
    assert task.digest() != golden


def test_a_lost_store_of_a_multiply_add_is_seen_in_the_next_pass() -> None:
    task, golden = prepared(MemoryMultiplyAdd)
    task.execute()
    task.target[777] = task.left[777] + 5.0 * task.right[777]
    task.execute()
    assert task.digest() != golden


@pytest.mark.parametrize("kind", KINDS[1:])
def test_what_the_last_sweep_wrote_is_read_by_the_invariants(kind: Any) -> None:
    task, _ = prepared(kind)
    task.execute()
    name = memory_of(task)[-1]
    bits(task.buffers()[name])[5] ^= np.uint64(1 << 40)
    assert wrong(task.invariants()) == [f"every word of {name.partition('_')[2]} as left"]


@pytest.mark.parametrize(("kind", "name"), ARRAYS)
def test_a_word_lost_in_memory_counts_as_a_changed_input(kind: Any, name: str) -> None:
    task, _ = prepared(kind)
    inputs = task.inputs_digest()
    bits(task.buffers()[name])[99] ^= np.uint64(4)
    task.execute()  # overwrites the word where it is no input
    assert task.inputs_digest() != inputs


@pytest.mark.parametrize(("kind", "name"), ARRAYS)
def test_a_comparison_with_the_log_of_a_wrong_pass_names_the_word(kind: Any, name: str) -> None:
    task, _ = prepared(kind)
    words = bits(task.buffers()[name])
    right = int(words[321])
    words[321] ^= np.uint64(1 << 62)
    task.execute()
    wrong_log = {"result_log": np.array(task.log)}
    words[321] = right
    task.execute()
    task.execute()
    difference = task.compare(wrong_log)
    assert difference is not None
    assert (difference.buffer, difference.index) == (name.partition("_")[2], (321,))
    assert int(difference.expected_bits, 16) == right ^ (1 << 62)
    assert int(difference.found_bits, 16) == right


def test_a_difference_of_the_log_alone_is_told_as_such() -> None:
    task, _ = prepared(MemoryRead)
    task.execute()
    other = np.array(task.log)
    other[0, 1] += np.uint64(1)
    difference = task.compare({"result_log": other})
    assert difference is not None
    assert (difference.buffer, difference.index) == ("result_log", (0, 1))


@pytest.mark.parametrize(
    ("kind", "arrays", "counted"),
    [(MemoryRead, 1, 1), (MemoryWrite, 1, 2), (MemoryTransfer, 2, 4), (MemoryMultiplyAdd, 3, 6)],
)
def test_bytes_counted_are_array_words_read_and_written(
    kind: Any, arrays: int, counted: int
) -> None:
    task, _ = prepared(kind)
    each = task.buffers()[memory_of(task)[0]].nbytes
    assert task.work_per_pass == counted * each
    assert kind().memory_bytes(SMALL) == arrays * each
