"""Flipping one bit of a task's buffers on purpose, as a fault in the machine would.

Used to show that the checks find what they are there for. Formats are those of IEEE 754-2019
(binary16, binary32, binary64): from the lowest bit up mantissa, exponent, sign; a complex number
is two of them.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from random import Random

    from workloads.contract import Buffer, Task

ROLES = ("input", "intermediate", "result")
#: Which bit of an element: a part of a floating-point number, or any bit of whatever it is.
KINDS = ("any", "sign", "exponent", "mantissa-high", "mantissa-low")
#: Bytes of a number -> its mantissa bits.
_MANTISSA_BITS = {2: 10, 4: 23, 8: 52}


@dataclass(frozen=True)
class Flip:
    """One bit: `byte` counts from the buffer's start, `bit` from the byte's lowest."""

    buffer: str
    byte: int
    bit: int

    def apply(self, task: Task) -> None:
        """Flip it; a second time restores it."""
        flip(task.buffers()[self.buffer], self.byte, self.bit)


def flip(array: Buffer, byte_index: int, bit: int) -> None:
    """Flip bit `bit` (0 to 7) of byte `byte_index` of a C-contiguous array, in place.

    Raises ValueError for an array whose bytes are not in one piece, IndexError for a place outside.
    """
    if not array.flags.c_contiguous:
        raise ValueError("array: received strides with gaps, needs a C-contiguous array; copy it")
    if not 0 <= byte_index < array.nbytes or not 0 <= bit < 8:
        raise IndexError(
            f"byte {byte_index}, bit {bit}: needs a byte below {array.nbytes} and a bit below 8"
        )
    array.reshape(-1).view(np.uint8)[byte_index] ^= np.uint8(1 << bit)


def choose_flip(task: Task, rng: Random, role: str, kind: str = "any") -> Flip:
    """A random bit of `kind` in a random element of a random buffer of `role`.

    Each buffer of the role is as likely as any other, whatever its size. Raises ValueError where
    the task has no such bit (see `kinds`).
    """
    if role not in ROLES or kind not in KINDS:
        known = f"role of {', '.join(ROLES)}; kind of {', '.join(KINDS)}"
        raise ValueError(f"flip: received role {role!r} and kind {kind!r}, needs {known}")
    fitting = [name for name, array in _of_role(task, role) if kind in _kinds_of(array)]
    if not fitting:
        raise ValueError(f"flip: the task has no {role} with a bit of kind {kind!r}")
    name = rng.choice(fitting)
    return Flip(name, *_place(task.buffers()[name], rng, kind))


def kinds(task: Task, role: str) -> tuple[str, ...]:
    """The kinds of bit that the task's buffers of `role` have; empty where it has no buffer."""
    found = {kind for _, array in _of_role(task, role) for kind in _kinds_of(array)}
    return tuple(kind for kind in KINDS if kind in found)


def _of_role(task: Task, role: str) -> list[tuple[str, Buffer]]:
    buffers = sorted(task.buffers().items())
    return [(name, array) for name, array in buffers if array.size and name.startswith(role)]


def _kinds_of(array: Buffer) -> tuple[str, ...]:
    return (
        KINDS if array.dtype.kind in "fc" and _number_bytes(array) in _MANTISSA_BITS else ("any",)
    )


def _number_bytes(array: Buffer) -> int:
    return array.dtype.itemsize // (2 if array.dtype.kind == "c" else 1)


def _place(array: Buffer, rng: Random, kind: str) -> tuple[int, int]:
    width = _number_bytes(array)
    number = rng.randrange(array.nbytes // width)
    significance, bit = divmod(rng.choice(_bits(width, kind)), 8)
    little = array.dtype.byteorder == "<" or (array.dtype.byteorder != ">" and _LITTLE)
    return number * width + (significance if little else width - 1 - significance), bit


_LITTLE = sys.byteorder == "little"


def _bits(width: int, kind: str) -> range:
    """Bits of a number of `width` bytes, from the lowest, that `kind` means."""
    if kind == "any":
        return range(8 * width)
    mantissa, sign = _MANTISSA_BITS[width], 8 * width - 1
    return {
        "sign": range(sign, sign + 1),
        "exponent": range(mantissa, sign),
        "mantissa-high": range(mantissa // 2, mantissa),
        "mantissa-low": range(mantissa // 2),
    }[kind]
