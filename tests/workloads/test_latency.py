"""Dependent-load latency: the cycle followed in plain Python, faults placed by hand."""

from __future__ import annotations

import numpy as np
import pytest

from workloads.latency import LINE_BYTES, LatencyTask, MemoryLatency, place
from workloads.words import start_word

SEED = 9
SMALL = {"smallest_kibibytes": 4, "largest_mebibytes": 1, "loads": 300}


def prepared(**given: int) -> tuple[LatencyTask, int]:
    load, parameters = MemoryLatency(), MemoryLatency().complete({**SMALL, **given})
    return load.prepare(parameters, SEED), load.golden(parameters, SEED)


@pytest.mark.parametrize("bits", [1, 2, 3, 8, 13])
@pytest.mark.parametrize("seed", [0, 1, 0xDEADBEEFCAFEF00D])
def test_place_visits_every_line_once(bits: int, seed: int) -> None:
    lines = [int(place(np.uint64(t), np.uint64(bits), np.uint64(seed))) for t in range(1 << bits)]
    assert sorted(lines) == list(range(1 << bits))


def test_steps_of_the_cycle_come_round_after_all_lines() -> None:
    bits, seed = np.uint64(6), np.uint64(77)
    assert place(np.uint64(3), bits, seed) == place(np.uint64(3 + 64), bits, seed)


def test_pointers_form_one_cycle_through_every_line_of_each_set() -> None:
    task, _ = prepared()
    for each in task.sets:
        words, index, seen = each.words.tolist(), 0, set[int]()
        while index not in seen:
            seen.add(index)
            index = words[index]
        assert index == 0
        assert len(seen) == each.words.nbytes // LINE_BYTES


def test_neighbours_of_the_walk_are_not_neighbours_in_memory() -> None:
    # A prefetcher must not guess the next line: few steps may go to an adjacent one.
    task, _ = prepared()
    words = task.sets[-1].words[::8].astype(np.int64) // 8
    distance = np.abs(words - np.arange(words.size))
    assert np.mean(distance <= 2) < 0.01
    assert np.median(distance) > words.size / 8


def test_every_pass_gives_the_golden_and_changes_no_input() -> None:
    task, golden = prepared()
    inputs = task.inputs_digest()
    for _ in range(5):
        task.execute()
        assert task.digest() == golden
    assert task.inputs_digest() == inputs
    assert all(finding.ok for finding in task.invariants())


def test_a_walk_reads_the_pointers_that_following_them_by_hand_reads() -> None:
    task, _ = prepared()
    each = task.sets[0]
    first = int(place(np.uint64(0), np.uint64(each.bits), np.uint64(each.seed))) * 8
    words, index, total = each.words.tolist(), first, 0
    for _ in range(SMALL["loads"]):
        index = words[index]
        total += index
    task.execute()
    lap, loads, sum_difference, end_difference = task.results[0].tolist()
    assert lap == sum(words)
    assert (loads, sum_difference, end_difference) == (SMALL["loads"], 0, 0)
    assert index == int(place(np.uint64(300), np.uint64(each.bits), np.uint64(each.seed))) * 8
    assert total > 0


def test_a_walk_goes_on_where_the_last_one_stopped() -> None:
    task, _ = prepared()
    for _ in range(3):
        task.execute()
    assert [each.step for each in task.sets] == [900 % (1 << each.bits) for each in task.sets]


@pytest.mark.parametrize("bit", range(64))
def test_each_bit_of_a_pointer_counts_in_every_pass_and_never_ends_the_process(bit: int) -> None:
    task, golden = prepared()
    words = task.sets[-1].words
    line = 8 * int(place(np.uint64(12_345), np.uint64(14), np.uint64(task.sets[-1].seed)))
    words[line] ^= np.uint64(1 << bit)  # far from where the walk is
    task.execute()
    assert task.digest() != golden
    words[line] ^= np.uint64(1 << bit)
    task.execute()
    assert task.digest() == golden


def test_a_pointer_out_of_range_on_the_walk_ends_it_there() -> None:
    task, golden = prepared()
    each = task.sets[0]
    line = 8 * int(place(np.uint64(10), np.uint64(each.bits), np.uint64(each.seed)))
    each.words[line] = 1 << 60
    task.execute()
    assert task.digest() != golden
    assert task.results[0, 1] == 11


def test_the_invariants_name_set_and_word() -> None:
    task, _ = prepared()
    task.sets[1].words[8 * 5] ^= np.uint64(1)
    broken = [finding for finding in task.invariants() if not finding.ok]
    assert len(broken) == 1
    assert "the 8 KiB set" in broken[0].name
    assert f"offset 0x{8 * 5 * 8:x}" in broken[0].detail


def test_readings_are_positive_nanoseconds_by_size() -> None:
    task, _ = prepared()
    assert task.readings == {}
    task.execute()
    names = [f"latency_{4 << doubling}_kib_ns" for doubling in range(9)]
    assert list(task.readings) == names
    assert all(value > 0 for value in task.readings.values())


def test_a_reading_is_the_median_of_the_passes() -> None:
    task, _ = prepared()
    times = task.sets[0].times_ns
    times.extend([1e9, 3e9, 2e9, 5e9])
    task.execute()
    assert task.readings["latency_4_kib_ns"] == 2e9


@pytest.mark.parametrize(
    ("smallest", "largest", "kibibytes"),
    [
        (16, 1, [16, 32, 64, 128, 256, 512, 1024]),
        (24, 1, [16 << n for n in range(7)]),
        (4096, 1, [4096]),
    ],
)
def test_sizes_are_powers_of_two_from_the_smallest_to_the_largest(
    smallest: int, largest: int, kibibytes: list[int]
) -> None:
    load = MemoryLatency()
    given = {"smallest_kibibytes": smallest, "largest_mebibytes": largest}
    parameters = load.complete(given)
    assert load.sizes_bytes(parameters) == [1024 * size for size in kibibytes]
    assert load.memory_bytes(parameters) == 1024 * sum(kibibytes)


def test_sets_of_a_task_are_walked_in_different_orders() -> None:
    task, _ = prepared()
    assert len({each.seed for each in task.sets}) == len(task.sets)
    assert task.sets[0].seed == start_word(SEED, 0)
