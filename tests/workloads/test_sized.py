"""Passes in parts and goldens by size, on a task that writes down what it is told to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pytest

from workloads.contract import Parameter, Parameters, whole
from workloads.sized import (
    GOLDEN_SEED,
    PARTS,
    PartedTask,
    SizedWorkload,
    require_at_most,
    require_multiple,
    require_power,
)

if TYPE_CHECKING:
    from workloads.contract import Buffer


class Diary(PartedTask):
    def __init__(self, size: tuple[int, ...], seed: int) -> None:
        super().__init__()
        self.size, self.seed = size, seed
        self.lines: list[str] = []

    def _begin(self) -> None:
        self.lines.append("start")

    def _part(self) -> None:
        self.lines.append("part")

    def digest(self) -> int:
        self.lines.append("digest")
        return 1

    def inputs_digest(self) -> int:
        return 2

    def buffers(self) -> dict[str, Buffer]:
        return {"result": np.zeros(1)}


class Made(SizedWorkload):
    name = "diary"
    parameters: ClassVar = {
        "width": Parameter(64, "", low=8, high=99),
        "height": Parameter(48, "", low=6, high=99),
    }
    goldens: ClassVar = {(64, 48): 0xAB}
    made: ClassVar[list[Diary]] = []

    def memory_bytes(self, parameters: Parameters) -> int:
        return 0

    def prepare(self, parameters: Parameters, seed: int) -> Diary:
        size = tuple(whole(parameters, key) for key in ("width", "height"))
        self.made.append(Diary(size, seed))
        return self.made[-1]


def test_a_pass_is_its_start_and_then_its_parts() -> None:
    task = Diary((8, 6), 1)
    task.execute()
    assert task.lines == ["start", *["part"] * PARTS]


def test_a_golden_is_known_for_its_size_and_seed_only_whatever_the_order_given() -> None:
    workload = Made()
    assert workload.golden({"height": 48, "width": 64}, GOLDEN_SEED) == 0xAB
    assert workload.golden({"width": 64, "height": 48}, GOLDEN_SEED + 1) is None
    assert workload.golden({"width": 48, "height": 64}, GOLDEN_SEED) is None


def test_warming_runs_and_digests_the_smallest_size() -> None:
    Made.made.clear()
    Made().warm()
    (task,) = Made.made
    assert task.size == (8, 6)
    assert task.lines == ["start", *["part"] * PARTS, "digest"]


def test_what_does_not_divide_into_parts_is_refused_with_the_rule() -> None:
    require_multiple({"steps": 3 * PARTS}, "steps")
    with pytest.raises(ValueError, match="steps: received 6, must be a multiple of 4"):
        require_multiple({"steps": 6}, "steps")
    with pytest.raises(ValueError, match="must be a multiple of 8"):
        require_multiple({"steps": 12}, "steps", of=8)


@pytest.mark.parametrize(("value", "of", "near"), [(100, 2, "64 or 128"), (65, 4, "64 or 256")])
def test_no_power_is_refused_with_the_powers_beside_it(value: int, of: int, near: str) -> None:
    with pytest.raises(ValueError, match=f"^n: .*{value}, must be a power of {of}; use {near}$"):
        require_power({"n": value}, "n", of)


@pytest.mark.parametrize("of", [2, 4])
def test_every_power_is_accepted_and_nothing_between(of: int) -> None:
    accepted = [n for n in range(1, 5_000) if _is_accepted(n, of)]
    assert accepted == [of**exponent for exponent in range(13) if of**exponent < 5_000]


def _is_accepted(value: int, of: int) -> bool:
    try:
        require_power({"n": value}, "n", of)
    except ValueError:
        return False
    return True


def test_a_multiple_is_refused_with_those_beside_it() -> None:
    with pytest.raises(ValueError, match=r"^n: received 10, must be a multiple of 4; use 8 or 12$"):
        require_multiple({"n": 10}, "n")
    with pytest.raises(ValueError, match=r"^n: received 3, must be a multiple of 4; use 4$"):
        require_multiple({"n": 3}, "n")


def test_the_most_is_rounded_down_to_whole_parts() -> None:
    require_at_most({"n": 40}, "n", 47, "because", 8)
    with pytest.raises(ValueError, match=r"^n: received 48, must be at most 40; because$"):
        require_at_most({"n": 48}, "n", 47, "because", 8)
