"""The sieve against a plain one of numpy; published counts: tests/published."""

from __future__ import annotations

from math import isqrt
from random import Random

import numpy as np
import pytest
from bit_flips import FLIPS, flip_inputs, flip_results
from numpy.typing import NDArray

from workloads.digest import combine, fold
from workloads.faults import flip
from workloads.sieve import GOLDEN, SieveTask, SieveWorkload, cross_out, harvest


def plain_flags(limit: int, length: int) -> NDArray[np.bool_]:
    """Which of the first `length` odd numbers are primes up to `limit`: the plain sieve."""
    flags = np.zeros(length, np.bool_)
    flags[: (limit + 1) // 2] = True
    flags[0] = False
    for odd in range(3, isqrt(limit) + 1, 2):
        flags[odd * odd // 2 :: odd] = False
    return flags


def plain_digest(limit: int, segment_bytes: int) -> int:
    segments = -(-((limit + 1) // 2) // segment_bytes)
    flags = plain_flags(limit, segments * segment_bytes)
    counts = flags.reshape(segments, segment_bytes).sum(axis=1).astype(np.uint64)
    return combine(fold(np.packbits(flags, bitorder="little")), fold(counts))


def executed(limit: int, segment_bytes: int = 4096) -> SieveTask:
    task = SieveTask(limit, segment_bytes)
    task.execute()
    return task


@pytest.mark.parametrize(("limit", "segment_bytes"), GOLDEN)
def test_the_shipped_golden_is_what_the_plain_sieve_gives(limit: int, segment_bytes: int) -> None:
    assert GOLDEN[limit, segment_bytes] == plain_digest(limit, segment_bytes)


def test_the_default_pass_gives_the_shipped_golden() -> None:
    workload = SieveWorkload()
    parameters = workload.complete({})
    task = workload.prepare(parameters, seed=1)
    task.execute()
    assert task.digest() == workload.golden(parameters, seed=1) == workload.golden(parameters, 99)


# Ends inside, at, and one beyond a segment; squares of primes; even limits.
@pytest.mark.parametrize("limit", [1000, 8191, 8192, 8193, 8194, 9409, 10_000, 65_536, 123_457])
@pytest.mark.parametrize("segment_bytes", [4096, 8192])
def test_any_limit_and_segment_give_the_plain_sieve_s_primes(
    limit: int, segment_bytes: int
) -> None:
    task = executed(limit, segment_bytes)
    assert task.digest() == plain_digest(limit, segment_bytes)
    flags = np.unpackbits(task.buffers()["result_primes"], bitorder="little")
    assert np.array_equal(flags, plain_flags(limit, flags.size))


def test_every_pass_gives_the_same_digest() -> None:
    task = executed(50_000)
    first = task.digest()
    task.execute()
    assert task.digest() == first


@pytest.mark.parametrize("bits", [0, 1, 0x80, 0xFF, 0b10110010])
def test_harvest_packs_the_first_flag_into_the_lowest_bit_and_counts(bits: int) -> None:
    segment, packed = np.zeros(4096, np.uint8), np.zeros(512, np.uint8)
    segment[8:16] = [bits >> place & 1 for place in range(8)]
    assert harvest(segment, packed) == bits.bit_count()
    assert packed[1] == bits
    assert packed.sum() == bits


def test_harvest_counts_a_full_segment() -> None:
    assert harvest(np.ones(4096, np.uint8), np.zeros(512, np.uint8)) == 4096


def test_the_work_is_the_limit() -> None:
    assert SieveTask(12_345, 4096).work_per_pass == 12_345


def test_a_wrong_count_fails_the_invariant_at_a_power_of_ten() -> None:
    task = executed(10_000)
    assert task.invariants()[0].ok
    task.buffers()["result_counts"][0] += 1
    assert task.invariants()[0].detail == "published 1229, counted 1230"
    assert not task.invariants()[0].ok


def test_elsewhere_the_count_must_lie_between_proven_bounds() -> None:
    task = executed(20_000)
    assert task.invariants()[0].ok
    task.buffers()["result_counts"][0] += 500
    assert not task.invariants()[0].ok


def test_every_flip_in_the_result_is_caught() -> None:
    campaign = flip_results(executed(200_000))
    assert campaign.caught == campaign.flips


def test_every_flip_in_the_inputs_that_changes_a_prime_is_caught() -> None:
    """Rate above 85 % (seen: 94 % of 1,000); the rest hits the pattern beyond its use."""
    campaign = flip_inputs(executed(100_000))
    assert campaign.missed == 0
    assert campaign.caught / campaign.flips > 0.85


def test_every_flip_in_a_segment_changes_its_packed_primes_or_its_count() -> None:
    """Rate 100 %: a flag holds 0 or 1, and any other bit of its byte spoils packing or counting."""
    task, rng, caught = executed(100_000), Random(5), 0
    segment, packed = task.buffers()["intermediate_segment"], np.zeros(512, np.uint8)
    count = harvest(segment, packed)
    right = packed.copy()
    for _ in range(FLIPS):
        place, bit = rng.randrange(segment.size), rng.randrange(8)
        flip(segment, place, bit)
        caught += harvest(segment, packed) != count or not np.array_equal(packed, right)
        flip(segment, place, bit)
    assert caught == FLIPS


def test_a_damaged_table_of_primes_cannot_write_outside_the_segment() -> None:
    guard = np.full(3 * 4096, 7, np.uint8)
    middle = guard[4096:8192]
    primes = np.array([17, (1 << 63) + 5, 1], np.uint64)
    offsets = np.array([(1 << 64) - 1, 5, 4095], np.uint64)
    pattern = np.ones(15015 + 4096, np.uint8)
    cross_out(middle, np.uint64(0), pattern, primes, offsets)
    assert (guard[:4096] == 7).all()
    assert (guard[8192:] == 7).all()
    assert middle.max() == 1


def test_memory_is_at_least_what_the_buffers_take() -> None:
    workload = SieveWorkload()
    for given in ({}, {"limit": 10_000}, {"segment_kibibytes": 4}):
        parameters = workload.complete(given)
        task = workload.prepare(parameters, seed=1)
        taken = sum(array.nbytes for array in task.buffers().values())
        assert taken <= workload.memory_bytes(parameters) < 3 * taken + 100_000


def test_no_golden_ships_for_other_parameters() -> None:
    workload = SieveWorkload()
    assert workload.golden(workload.complete({"limit": 1000}), seed=1) is None
