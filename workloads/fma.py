"""Sustained fused multiply-add on registers, beside an L1 load and integer work: the hottest load.

`elements` independent points (x, y) are sheared back and forth, `steps` times a pass:

    x = fma(m, y, x);  y = fma(-m, x, y)

with multipliers m in [1/8, 1/4] read from a table. Each step is a linear map of determinant 1 and
the eight multipliers of a column make a rotation (trace between -2 and 2), so nothing grows or
dies out and a flipped bit lives on: with a contracting recurrence 3 % of flips were still visible
after 100,000 steps, with this one 96 % (FP64) and 92 % (FP32) (measured; the others fall to
rounding within a few steps). Integer chains `z = rotate_left(z, 29) + k` run beside it; each of
their steps is a bijection, so a flip in one never heals.

`fma` rounds once (IEEE 754-2019, clause 5.4.1), so every step has one right answer, whatever the
vector width, and the golden digests ship here, one for each number of steps that can be chosen.
A pass does 4 flop an element and step.

The same kernel calibrates the machine: :func:`peak` gives its floating-point operations a clock
cycle, which is what "percent of peak" is measured against.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from workloads.contract import (
    AVAILABLE,
    Availability,
    Parameter,
    Parameters,
    Task,
    Value,
    Workload,
    whole,
)
from workloads.digest import combine, fold
from workloads.fma_kernels import CHAIN_BYTES, PAIRS, ROW_BYTES, RUN, TABLE_ROWS, vector_bits
from workloads.operands import aligned, integers, uniforms
from workloads.prng import splitmix64
from workloads.sized import StagedTask, require_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Vector = NDArray[Any]

_STATE_BYTES = 16384
_FLOP_PER_STEP = 4
_STAGES = 2

# Digests for seed 1 by steps, remade in the tests without a fused multiply-add unit.
# 131072 is the default; 8192 makes the short passes that load steps need.
_GOLDEN_FP64 = {
    1024: 0xA8A25CB00247A945,
    2048: 0x081D71681923DDD4,
    4096: 0xAC6E9ECE295D5EDD,
    8192: 0x2498602194CA691D,
    16384: 0x36BC70CD49D15340,
    32768: 0x1CE9CA786A7EF670,
    65536: 0x3E46B837DFDE0360,
    131072: 0x9FC2780E552022D7,
}
_GOLDEN_FP32 = {
    1024: 0x04EF838538B0A48B,
    2048: 0x8183C6FE1A97334E,
    4096: 0xBBE38F4899C1E475,
    8192: 0x7164DDD339C3F612,
    16384: 0x115C22A44A6B3120,
    32768: 0x1B879F0DD78F3ABC,
    65536: 0x36A2EE581A4EB4FF,
    131072: 0x0CC856FDB3A6A991,
}


@dataclass(frozen=True)
class Peak:
    """What one core's multiply-add pipes do in a clock cycle.

    `measured` is the fastest pass; `ceiling` is the whole number of pipes it shows, times lanes,
    times two: what a kernel without any loss would reach.
    """

    measured_flop_per_cycle: float
    lanes: int
    pipes: int

    @property
    def ceiling_flop_per_cycle(self) -> int:
        """2 flop a lane and pipe."""
        return 2 * self.lanes * self.pipes


class FmaTask(StagedTask):
    """One lane's points, their start values and the multipliers."""

    def __init__(self, seed: int, steps: int, dtype: type[np.floating[Any]]) -> None:
        super().__init__()
        self.bits = np.dtype(dtype).itemsize * 8
        count = _STATE_BYTES * 8 // self.bits
        row = ROW_BYTES * 8 // self.bits
        self.start_x = aligned(uniforms(seed, 0, (count,), dtype))
        self.start_y = aligned(uniforms(seed, 1, (count,), dtype))
        self.table = aligned(multipliers(seed, (TABLE_ROWS, row), dtype))
        self.x, self.y = aligned(self.start_x), aligned(self.start_y)
        self.start_z = aligned(splitmix64(seed, _STATE_BYTES // CHAIN_BYTES))
        self.z = aligned(self.start_z)
        self.steps = steps
        self.work_per_pass = float(_FLOP_PER_STEP * count * steps)
        self._bind(vector_bits())

    def _bind(self, width: int) -> None:
        self.run = RUN[self.bits, width]
        self.blocks = _STATE_BYTES // (PAIRS * width // 8)
        arrays = (self.x, self.y, self.z, self.table)
        self.places = tuple(array.ctypes.data for array in arrays)

    def stages(self) -> tuple[Callable[[], None], ...]:
        """See :class:`Task`: the start values, then the steps in two halves."""
        return (self._begin, *([self._advance] * _STAGES))

    def _begin(self) -> None:
        np.copyto(self.x, self.start_x)
        np.copyto(self.y, self.start_y)
        np.copyto(self.z, self.start_z)

    def _advance(self) -> None:
        self.run(self.places, self.blocks, self.steps // _STAGES)

    def digest(self) -> int:
        """See :class:`Task`."""
        return combine(fold(self.x), fold(self.y), fold(self.z))

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        arrays = (self.start_x, self.start_y, self.start_z, self.table)
        return combine(*(fold(array) for array in arrays))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`; during a pass the results hold the state between its halves."""
        return {
            "input_x": self.start_x,
            "input_y": self.start_y,
            "input_z": self.start_z,
            "input_multipliers": self.table,
            "result_x": self.x,
            "result_y": self.y,
            "result_z": self.z,
        }


def multipliers(seed: int, shape: tuple[int, int], dtype: type[np.floating[Any]]) -> Vector:
    """Multipliers in [1/8, 1/4], multiples of 2^-23: exact in both formats."""
    span = 1 << 19
    centred = integers(seed, 2, shape, span, np.int64)
    table: Vector = ((centred + 3 * span) * 2.0**-23).astype(dtype)
    return table


class _Fma(Workload):
    """What the two formats share."""

    version = 1
    family = "vector"
    unit = "flop"
    check = "digest of all points, equal to that of correctly rounded scalar multiply-adds"
    shipped_golden = True
    always_shipped = True
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "steps": Parameter(
            131072, "steps of each point in a pass, a power of 2", low=1024, high=131072
        )
    }
    dtype: ClassVar[type[np.floating[Any]]]
    goldens: ClassVar[Mapping[int, int]]

    def complete(self, given: Mapping[str, Any]) -> dict[str, Value]:
        """See :class:`Workload`; no check but the golden covers the points, so one must ship."""
        values = super().complete(given)
        require_power(values, "steps")
        return values

    def availability(self) -> Availability:
        """See :class:`Workload`: emulated multiply-adds would be slow and stress nothing."""
        if vector_bits():
            return AVAILABLE
        return Availability(False, "this CPU has no fused multiply-add on vectors")

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`."""
        return 4 * _STATE_BYTES + TABLE_ROWS * ROW_BYTES + 2 * _STATE_BYTES // CHAIN_BYTES * 8

    def prepare(self, parameters: Parameters, seed: int) -> FmaTask:
        """See :class:`Workload`."""
        return FmaTask(seed, whole(parameters, "steps"), self.dtype)

    def golden(self, parameters: Parameters, seed: int) -> int | None:
        """See :class:`Workload`; known for the steps in `goldens` and seed 1."""
        return self.goldens.get(whole(parameters, "steps")) if seed == 1 else None

    def code_path(self, parameters: Parameters) -> str:
        """See :class:`Workload`: the width in use, which does not change the result."""
        return f"{vector_bits()}-bit vectors"

    def warm(self) -> None:
        """See :class:`Workload`."""
        if vector_bits():
            task = self.prepare({"steps": 1024}, 1)
            task.execute()
            task.digest()


class FmaFp64(_Fma):
    """Double precision."""

    name = "fma-fp64"
    purpose = "every vector multiply-add pipe full in double precision: most heat, most current"
    dtype = np.float64
    goldens = _GOLDEN_FP64


class FmaFp32(_Fma):
    """Single precision."""

    name = "fma-fp32"
    purpose = "every vector multiply-add pipe full in single precision: most heat, most current"
    dtype = np.float32
    goldens = _GOLDEN_FP32


def peak(
    clock_hz: float, now_ns: Callable[[], int], workload: _Fma | None = None, passes: int = 20
) -> Peak:
    """Calibrate this core: flop a cycle of the fastest of `passes` short passes (about 2 ms each).

    `clock_hz` is the core's clock measured under load, `now_ns` a clock in nanoseconds. Raises
    ValueError where the CPU has no fused multiply-add.
    """
    chosen = workload or FmaFp64()
    if not chosen.availability().available:
        raise ValueError(f"peak: {chosen.availability().reason}; no peak can be measured")
    task = chosen.prepare({"steps": 16384}, 1)
    task.execute()
    fastest_ns = min(_timed_ns(task, now_ns) for _ in range(passes))
    measured = task.work_per_pass / (fastest_ns * 1e-9 * clock_hz)
    lanes = vector_bits() // task.bits
    # The clock is known to about 1 %, so a hair above a whole number is not another pipe.
    pipes = max(1, -int(-(measured / (2 * lanes) - 0.1) // 1))
    return Peak(measured, lanes, pipes)


def _timed_ns(task: Task, now_ns: Callable[[], int]) -> int:
    start = now_ns()
    task.execute()
    return now_ns() - start
