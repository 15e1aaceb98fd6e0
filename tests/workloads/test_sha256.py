"""The compiled SHA-256 and its chain against hashlib; the standard's vectors: tests/published."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from bit_flips import flip_inputs, flip_results

from workloads.digest import combine, fold
from workloads.sha256 import GOLDEN, Sha256Task, Sha256Workload, sha256

CHECKPOINTS = 64


def plain_checkpoints(blocks: int, seed: int) -> np.ndarray:
    """The chain by hashlib: every (blocks / 64)-th link as big-endian words."""
    link = hashlib.sha256(seed.to_bytes(8, "big")).digest()
    found = []
    for _ in range(CHECKPOINTS):
        for _ in range(-(-blocks // CHECKPOINTS)):
            link = hashlib.sha256(link).digest()
        found.append(np.frombuffer(link, ">u4").astype(np.uint32))
    return np.array(found)


def prepared(blocks: int = 256, seed: int = 1) -> Sha256Task:
    workload = Sha256Workload()
    task = workload.prepare(workload.complete({"blocks": blocks}), seed)
    assert isinstance(task, Sha256Task)
    task.execute()
    return task


@pytest.mark.parametrize("length", [0, 1, 31, 54, 55, 56, 57, 63, 64, 65, 119, 120, 1000])
def test_messages_of_any_length_hash_as_with_hashlib(length: int) -> None:
    """Padding changes at 55 and 56 bytes modulo 64 (FIPS 180-4, 5.1.1)."""
    message = bytes(number % 251 for number in range(length))
    assert sha256(message) == hashlib.sha256(message).digest()


@pytest.mark.parametrize(("blocks", "seed"), GOLDEN)
def test_the_shipped_golden_is_what_hashlib_s_chain_gives(blocks: int, seed: int) -> None:
    assert GOLDEN[blocks, seed] == combine(fold(plain_checkpoints(blocks, seed)))


def test_the_default_pass_gives_the_shipped_golden() -> None:
    workload = Sha256Workload()
    parameters = workload.complete({})
    task = workload.prepare(parameters, seed=1)
    task.execute()
    assert task.digest() == workload.golden(parameters, 1)
    assert workload.golden(parameters, 2) is None


@pytest.mark.parametrize("blocks", [64, 100, 640])
def test_checkpoints_are_links_of_hashlib_s_chain(blocks: int) -> None:
    task = prepared(blocks, seed=7)
    found = task.buffers()["result_checkpoints"]
    assert np.array_equal(found, plain_checkpoints(blocks, 7))
    assert task.work_per_pass == -(-blocks // 64) * 64
    assert task.invariants()[0].ok


def test_a_wrong_checkpoint_is_named() -> None:
    task = prepared()
    task.buffers()["result_checkpoints"][5, 3] ^= 1
    (finding,) = task.invariants()
    assert not finding.ok
    assert finding.detail.startswith("checkpoint 5: hashlib ")


def test_every_flip_in_a_checkpoint_is_caught() -> None:
    campaign = flip_results(prepared())
    assert campaign.caught == campaign.flips


def test_every_flip_in_the_inputs_is_caught() -> None:
    """Rate 100 %: one bit of the message or of a constant changes every later link."""
    campaign = flip_inputs(prepared())
    assert campaign.caught == campaign.flips


def test_the_inputs_stay_as_they_are() -> None:
    task = prepared()
    before = task.inputs_digest()
    task.execute()
    assert task.inputs_digest() == before
