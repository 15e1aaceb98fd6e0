"""The campaign of the families: random single-bit flips, and whether the digest saw them.

`RIGPROOF_FLIPS` sets the number of flips in a campaign.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

import numpy as np

from workloads.contract import Task
from workloads.faults import choose_flip

FLIPS = int(os.environ.get("RIGPROOF_FLIPS", "200"))


@dataclass(frozen=True)
class Campaign:
    """What became of the flips; `missed` counts results that changed without the digest seeing."""

    flips: int
    caught: int
    harmless: int
    missed: int


def right_results(task: Task) -> dict[str, bytes]:
    """Copies of the result buffers."""
    return {
        name: np.ascontiguousarray(array).tobytes()
        for name, array in task.buffers().items()
        if name.startswith("result")
    }


def flip_results(task: Task, flips: int = FLIPS, seed: int = 1) -> Campaign:
    """Flips between the pass and its check; each is undone. None of them is harmless."""
    task.execute()
    golden, rng = task.digest(), Random(seed)
    caught = 0
    for _ in range(flips):
        one = choose_flip(task, rng, "result")
        one.apply(task)
        caught += task.digest() != golden
        one.apply(task)
    assert task.digest() == golden
    return Campaign(flips, caught, 0, flips - caught)


def flip_inputs(task: Task, flips: int = FLIPS, seed: int = 2) -> Campaign:
    """Flips in the inputs before a pass; each is undone. Also: each changes the inputs' digest."""
    inputs = task.inputs_digest()

    def around(rng: Random) -> None:
        one = choose_flip(task, rng, "input")
        one.apply(task)
        assert task.inputs_digest() != inputs
        task.execute()
        one.apply(task)

    campaign = flip_within(task, around, flips, seed)
    assert task.inputs_digest() == inputs
    return campaign


def flip_within(
    task: Task, disturbed_pass: Callable[[Random], None], flips: int = FLIPS, seed: int = 3
) -> Campaign:
    """`disturbed_pass` runs one pass with a flip in it; results are compared bit by bit."""
    task.execute()
    golden, right, rng = task.digest(), right_results(task), Random(seed)
    caught = harmless = missed = 0
    for _ in range(flips):
        disturbed_pass(rng)
        same_digest, same_bits = task.digest() == golden, right_results(task) == right
        caught += not same_digest and not same_bits
        harmless += same_digest and same_bits
        missed += same_digest and not same_bits
    task.execute()
    assert task.digest() == golden
    assert caught + harmless + missed == flips, "a digest changed over unchanged results"
    return Campaign(flips, caught, harmless, missed)
