"""Chosen flips: which bit of which number, by the layout of IEEE 754."""

from __future__ import annotations

import math
from random import Random
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from workloads.contract import Task
from workloads.faults import KINDS, Flip, choose_flip, flip, kinds

MANY = 400


class Holder(Task):
    """A task that is nothing but its buffers."""

    def __init__(self, **buffers: NDArray[Any]) -> None:
        super().__init__()
        self._buffers = buffers

    def execute(self) -> None:
        """No load."""

    def digest(self) -> int:
        return 0

    def inputs_digest(self) -> int:
        return 0

    def buffers(self) -> dict[str, NDArray[Any]]:
        return dict(self._buffers)


@pytest.mark.parametrize("bit", range(8))
def test_a_flip_changes_one_bit_of_one_byte_and_a_second_restores_it(bit: int) -> None:
    array = np.arange(12, dtype=np.uint16).reshape(3, 4)
    before = bytearray(array.tobytes())
    flip(array, 9, bit)
    after = bytearray(array.tobytes())
    assert after[9] == before[9] ^ (1 << bit)
    assert [at for at in range(24) if after[at] != before[at]] == [9]
    flip(array, 9, bit)
    assert array.tobytes() == bytes(before)


@pytest.mark.parametrize(("byte", "bit"), [(8, 0), (-1, 0), (0, 8), (0, -1)])
def test_a_place_outside_is_refused(byte: int, bit: int) -> None:
    with pytest.raises(IndexError, match="needs a byte below 8 and a bit below 8"):
        flip(np.zeros(8, np.uint8), byte, bit)


def test_an_array_with_gaps_is_refused_because_a_copy_would_be_flipped() -> None:
    with pytest.raises(ValueError, match="needs a C-contiguous array"):
        flip(np.zeros((4, 4))[:, ::2], 0, 0)


def number_bits(array: NDArray[Any]) -> int:
    """A single float's bits as an integer, whatever its byte order."""
    width = array.dtype.itemsize
    return int.from_bytes(array.astype(f">f{width}").tobytes(), "big")


def flipped_bits(dtype: str, kind: str) -> set[int]:
    """Which bits of a number (from the lowest) many flips of `kind` reach."""
    rng, right, reached = Random(1), np.array([1.1875], dtype), set[int]()
    for _ in range(MANY):
        task = Holder(result=right.copy())
        choose_flip(task, rng, "result", kind).apply(task)
        change = number_bits(task.buffers()["result"]) ^ number_bits(right)
        assert change.bit_count() == 1
        reached.add(change.bit_length() - 1)
    return reached


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(("width", "mantissa"), [(2, 10), (4, 23), (8, 52)])
def test_each_kind_reaches_its_own_part_of_a_number_and_all_of_it(
    order: str, width: int, mantissa: int
) -> None:
    dtype, sign = f"{order}f{width}", 8 * width - 1
    assert flipped_bits(dtype, "sign") == {sign}
    assert flipped_bits(dtype, "exponent") == set(range(mantissa, sign))
    assert flipped_bits(dtype, "mantissa-high") == set(range(mantissa // 2, mantissa))
    assert flipped_bits(dtype, "mantissa-low") == set(range(mantissa // 2))


def test_a_sign_flip_of_a_complex_number_negates_one_of_its_parts() -> None:
    task, found = Holder(result=np.zeros(1, np.complex128)), set[complex]()
    for seed in range(20):
        task.buffers()["result"][0] = 3 + 4j
        choose_flip(task, Random(seed), "result", "sign").apply(task)
        found.add(complex(task.buffers()["result"][0]))
    assert found == {-3 + 4j, 3 - 4j}


def test_any_reaches_every_byte_and_bit_of_whatever_the_elements_are() -> None:
    for dtype in (np.uint8, np.int32, np.bool_, np.float32, np.complex64):
        task, rng = Holder(result=np.zeros(2, dtype)), Random(2)
        flips = [choose_flip(task, rng, "result") for _ in range(4000)]
        places = {(one.byte, one.bit) for one in flips}
        assert len(places) == 8 * task.buffers()["result"].nbytes


def test_only_buffers_of_the_role_are_chosen_and_all_of_them() -> None:
    task = Holder(
        input_a=np.zeros(1), input_b=np.zeros(1000), intermediate_c=np.zeros(3), result=np.zeros(2)
    )
    for role, names in {
        "input": {"input_a", "input_b"},
        "intermediate": {"intermediate_c"},
        "result": {"result"},
    }.items():
        assert {choose_flip(task, Random(n), role).buffer for n in range(50)} == names


def test_the_same_seed_chooses_the_same_flip() -> None:
    task = Holder(result=np.zeros(1000))
    assert choose_flip(task, Random(5), "result") == choose_flip(task, Random(5), "result")
    assert len({choose_flip(task, Random(n), "result") for n in range(20)}) > 15


def test_parts_of_numbers_are_sought_only_where_numbers_are() -> None:
    task = Holder(
        result_keys=np.zeros(9, np.int64), result_values=np.zeros(3), input=np.zeros(2, int)
    )
    assert {choose_flip(task, Random(n), "result", "sign").buffer for n in range(20)} == {
        "result_values"
    }
    assert kinds(task, "result") == KINDS
    assert kinds(task, "input") == ("any",)
    assert kinds(task, "intermediate") == ()


@pytest.mark.parametrize(
    ("role", "kind", "told"),
    [
        ("intermediate", "any", "the task has no intermediate with a bit of kind 'any'"),
        ("input", "sign", "the task has no input with a bit of kind 'sign'"),
        ("output", "any", "received role 'output'"),
        ("input", "low", "kind 'low', needs role of input"),
    ],
)
def test_what_cannot_be_chosen_is_refused(role: str, kind: str, told: str) -> None:
    task = Holder(input=np.zeros(2, np.int8), intermediate_none=np.zeros(0))
    with pytest.raises(ValueError, match=told):
        choose_flip(task, Random(0), role, kind)


def test_a_flip_applied_twice_leaves_the_task_as_it_was() -> None:
    task = Holder(result=np.array([math.pi]))
    one = Flip("result", 3, 7)
    one.apply(task)
    assert task.buffers()["result"][0] != math.pi
    one.apply(task)
    assert task.buffers()["result"][0] == math.pi
