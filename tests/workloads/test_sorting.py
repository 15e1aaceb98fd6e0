"""The radix sort against numpy's sort."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from bit_flips import flip_inputs, flip_results, flip_within

from workloads.digest import combine, fold
from workloads.faults import flip
from workloads.prng import splitmix64
from workloads.sorting import GOLDEN, RadixSortWorkload, SortTask, multiset_checksum

SEED = 1


def plain_keys(count: int, seed: int) -> np.ndarray:
    """SplitMix64 again, in numpy (Steele, Lea and Flood 2014)."""
    words = np.uint64(seed) + np.arange(1, count + 1, dtype=np.uint64) * np.uint64(
        0x9E3779B97F4A7C15
    )
    words = (words ^ (words >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    words = (words ^ (words >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return words ^ (words >> np.uint64(31))


def executed(keys: np.ndarray) -> SortTask:
    task = SortTask(keys)
    task.execute()
    return task


@pytest.mark.parametrize(("count", "seed"), GOLDEN)
def test_the_shipped_golden_is_what_numpy_s_sort_gives(count: int, seed: int) -> None:
    assert GOLDEN[count, seed] == combine(fold(np.sort(plain_keys(count, seed))))


def test_the_default_pass_gives_the_shipped_golden() -> None:
    workload = RadixSortWorkload()
    parameters = workload.complete({})
    task = workload.prepare(parameters, seed=SEED)
    task.execute()
    assert task.digest() == workload.golden(parameters, SEED)
    assert workload.golden(parameters, SEED + 1) is None
    assert all(finding.ok for finding in task.invariants())


@pytest.mark.parametrize(
    "keys",
    [
        np.arange(1000, dtype=np.uint64)[::-1].copy(),
        np.zeros(300, np.uint64),
        np.full(300, (1 << 64) - 1, np.uint64),
        splitmix64(3, 5000) >> np.uint64(40),
        splitmix64(4, 5000) << np.uint64(48),
        np.array([1], np.uint64),
    ],
    ids=["descending", "zeros", "largest", "low bytes", "high bytes", "one"],
)
def test_any_keys_are_sorted_and_the_input_stays(keys: np.ndarray) -> None:
    before = keys.copy()
    task = executed(keys)
    assert np.array_equal(task.buffers()["result_keys"], np.sort(before))
    assert np.array_equal(keys, before)


def test_every_pass_gives_the_same_digest() -> None:
    task = executed(splitmix64(2, 1000))
    first = task.digest()
    task.execute()
    assert task.digest() == first


def test_two_keys_that_changed_places_are_found_by_order() -> None:
    task = executed(splitmix64(2, 100))
    keys = task.buffers()["result_keys"]
    keys[[40, 41]] = keys[[41, 40]]
    order, checksum = task.invariants()
    assert (order.ok, order.detail) == (False, "element 41 is less than the one before")
    assert checksum.ok


def test_a_lost_key_is_found_by_the_checksum_where_order_still_holds() -> None:
    task = executed(splitmix64(2, 100))
    keys = task.buffers()["result_keys"]
    keys[40] = keys[41]
    order, checksum = task.invariants()
    assert order.ok
    assert not checksum.ok


def test_the_checksum_ignores_order_and_sees_every_bit() -> None:
    keys = splitmix64(5, 64)
    whole = multiset_checksum(keys)
    assert multiset_checksum(keys[::-1].copy()) == whole
    for bit in range(64):
        keys[bit] ^= np.uint64(1 << bit)
        assert multiset_checksum(keys) != whole
        keys[bit] ^= np.uint64(1 << bit)


def test_every_flip_in_the_sorted_keys_is_caught() -> None:
    campaign = flip_results(executed(splitmix64(1, 4096)))
    assert campaign.caught == campaign.flips


def test_every_flip_in_the_keys_is_caught() -> None:
    """Rate 100 %: another key sorts to another sequence."""
    campaign = flip_inputs(executed(splitmix64(1, 4096)))
    assert campaign.caught == campaign.flips


def test_flips_in_the_digit_starts_are_caught_or_harmless_and_never_a_crash() -> None:
    """Rate above 85 %: the starts of bytes that no key has, after the last key, do not matter."""
    task = executed(splitmix64(1, 4096))

    def disturbed_pass(rng: Random) -> None:
        task.count()
        starts = task.buffers()["intermediate_starts"]
        flip(starts, rng.randrange(starts.nbytes), rng.randrange(8))
        task.distribute()

    campaign = flip_within(task, disturbed_pass)
    assert campaign.missed == 0
    assert campaign.caught / campaign.flips > 0.85


def test_memory_is_what_the_buffers_take() -> None:
    workload = RadixSortWorkload()
    parameters = workload.complete({"keys": 1000})
    task = workload.prepare(parameters, seed=1)
    taken = sum(array.nbytes for array in task.buffers().values())
    assert workload.memory_bytes(parameters) == taken
    assert task.work_per_pass == 1000
