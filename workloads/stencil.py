"""Heat stencil: explicit time steps of the heat equation on a square plate with cold edges.

    u'[i, j] = u[i, j] + r (u[i-1, j] + u[i+1, j] + u[i, j-1] + u[i, j+1] - 4 u[i, j]),  r = 0.24

on the (N - 1)^2 inner points of an (N + 1)^2 grid, edges 0, `steps` steps a pass between two
planes. Only IEEE additions and multiplications in a fixed order, so the golden digest ships.

Closed form: a product of sines with p and q half waves decays by the factor
`1 - 4 r (sin^2(p pi / 2N) + sin^2(q pi / 2N))` a step, Strikwerda (2004), Finite Difference Schemes
and Partial Differential Equations, 2nd ed., chapter 6 (von Neumann's analysis; the sines are the
discrete Laplacian's eigenvectors). The plate starts as a sum of such modes, so every point is known
at every time. For r <= 1/4 a step is an average and cannot enlarge an error; it rounds by less
than 10 u max|u|, so after t steps the plate is within 10 t u max|u| of the closed form.

Averages damp what is rough: a flip of a low bit early in a pass can die below rounding before
its end; the tests state how many do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numba import njit

from workloads.contract import Finding, Parameter, Parameters, Value, whole
from workloads.digest import fold
from workloads.operands import aligned, integers
from workloads.roots import roots_of_unity
from workloads.sized import (
    PARTS,
    PartedTask,
    SizedWorkload,
    require_at_most,
    require_multiple,
    require_power,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Plate = NDArray[np.float64]

DIFFUSION = 0.24
_UNIT_ROUNDOFF = 2.0**-53
_MODES = 4
_HIGHEST_MODE = 8
_PAGE_BYTES = 4096

# Digests for seed 1 by (intervals, steps), remade in the tests with whole-array operations.
_GOLDENS: dict[tuple[int, ...], int] = {(512, 128): 0x0DAB8B74D070F651}


@njit(cache=True, nogil=True)
def _step(u, out):  # type: ignore[no-untyped-def]
    side = u.shape[1]
    for row in range(1, u.shape[0] - 1):
        up, down = u[row - 1, 1 : side - 1], u[row + 1, 1 : side - 1]
        left, middle, right = u[row, : side - 2], u[row, 1 : side - 1], u[row, 2:]
        new = out[row, 1 : side - 1]
        for column in range(side - 2):
            around = (up[column] + down[column]) + (left[column] + right[column])
            new[column] = middle[column] + DIFFUSION * (around - 4.0 * middle[column])


@njit(cache=True, nogil=True)
def _steps(u, spare, steps):  # type: ignore[no-untyped-def]
    """An even number of steps, back into `u`."""
    for _ in range(steps // 2):
        _step(u, spare)
        _step(spare, u)


@dataclass(frozen=True)
class Mode:
    """One product of sines: half waves along both sides, and its weight."""

    p: int
    q: int
    weight: float


def modes(seed: int) -> tuple[Mode, ...]:
    """The modes a plate starts with; weights are multiples of 1/16 from -1 to 1, never 0."""
    waves = integers(seed, 0, (_MODES, 2), _HIGHEST_MODE // 2, np.int64) + _HIGHEST_MODE // 2
    weights = integers(seed, 1, (_MODES,), 7, np.int64)
    return tuple(
        Mode(int(p) or 1, int(q) or 1, (int(weight) + 8.5) / 16)
        for (p, q), weight in zip(waves, weights, strict=True)
    )


def half_waves(count: int, intervals: int) -> Plate:
    """`sin(count pi j / intervals)` for j = 0 .. intervals, correctly rounded."""
    _, minus_sine = roots_of_unity(2 * intervals)
    # 0.0 - x, since -x would make negative zeros.
    wave: Plate = 0.0 - minus_sine[np.arange(intervals + 1) * count % (2 * intervals)]
    return wave


def decay(mode: Mode, intervals: int) -> float:
    """The factor by which a mode shrinks in one step."""
    cosine, _ = roots_of_unity(2 * intervals)
    # 4 sin^2(t / 2) = 2 - 2 cos(t)
    rough = (2.0 - 2.0 * cosine[mode.p]) + (2.0 - 2.0 * cosine[mode.q])
    return float(1.0 - DIFFUSION * rough)


def closed_form(start: tuple[Mode, ...], intervals: int, steps: int) -> Plate:
    """The plate after `steps` steps, (intervals + 1)^2."""
    plate: Plate = np.zeros((intervals + 1, intervals + 1))
    for mode in start:
        shape = np.outer(half_waves(mode.p, intervals), half_waves(mode.q, intervals))
        plate += mode.weight * decay(mode, intervals) ** steps * shape
    return plate


class StencilTask(PartedTask):
    """One lane's plate, its start and the plane the steps alternate with."""

    def __init__(self, seed: int, intervals: int, steps: int) -> None:
        super().__init__()
        self.intervals, self.steps = intervals, steps
        self.modes = modes(seed)
        self.start = closed_form(self.modes, intervals, 0)
        self.plate = aligned(np.zeros_like(self.start), _PAGE_BYTES)
        self.spare = aligned(self.plate, _PAGE_BYTES, _PAGE_BYTES // 2)
        self.work_per_pass = float((intervals - 1) ** 2 * steps)

    def _begin(self) -> None:
        np.copyto(self.plate, self.start)
        # Steps write inner points only; the edges are set again so that no flip outlives a pass.
        self.spare[[0, -1]] = 0.0
        self.spare[:, [0, -1]] = 0.0

    def _part(self) -> None:
        _steps(self.plate, self.spare, self.steps // PARTS)

    def digest(self) -> int:
        """See :class:`Task`."""
        return fold(self.plate)

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        return fold(self.start)

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`; between the parts the result holds the plate so far."""
        return {"input_start": self.start, "result_plate": self.plate}

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`."""
        right = closed_form(self.modes, self.intervals, self.steps)
        largest = sum(mode.weight for mode in self.modes)
        bound = 10 * (self.steps + 1) * _UNIT_ROUNDOFF * largest
        errors = np.abs(self.plate - right)
        wrong = np.argwhere(~(errors <= bound))
        detail = f"{len(wrong)} points beyond {bound:.2g} of the closed form"
        if len(wrong):
            detail += f", first at [{wrong[0][0]}, {wrong[0][1]}]"
        return (Finding("closed-form decay", not len(wrong), detail),)


class Stencil(SizedWorkload):
    """FP64 heat stencil."""

    name = "heat-stencil"
    version = 1
    family = "stencil"
    unit = "point"
    purpose = "streaming loads and stores between the L2 cache and the vector units"
    check = "digest of the plate; every point against the closed-form decay"
    shipped_golden = True
    goldens = _GOLDENS
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "intervals": Parameter(512, "of a side, a power of 2", low=16, high=16384),
        "steps": Parameter(
            128,
            "time steps in a pass, a multiple of 8, intervals^2 / 16 at most",
            low=8,
            high=1 << 20,
        ),
    }
    slowest_per_second = 5e7

    def complete(self, given: Mapping[str, Any]) -> dict[str, Value]:
        """See :class:`Workload`; also steps after which the plate is still warm.

        The highest modes keep `exp(-8 r (8 pi / 2 N)^2 t)` of their start after t steps: 6e-9
        after N^2 / 16 steps, far above the rounding (10 t u) that the closed form allows for.
        """
        values = super().complete(given)
        require_power(values, "intervals")
        require_multiple(values, "steps", of=2 * PARTS)
        intervals = whole(values, "intervals")
        why = f"a plate of {intervals} intervals is cold after more: no check would see an error"
        require_at_most(values, "steps", intervals**2 // 16, why, 2 * PARTS)
        return values

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`: three planes, and five for the closed form."""
        return 8 * 8 * (whole(parameters, "intervals") + 1) ** 2 + 3 * _PAGE_BYTES

    def prepare(self, parameters: Parameters, seed: int) -> StencilTask:
        """See :class:`Workload`."""
        intervals, steps = whole(parameters, "intervals"), whole(parameters, "steps")
        return StencilTask(seed, intervals, steps)
