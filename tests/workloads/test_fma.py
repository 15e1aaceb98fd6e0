"""The multiply-add load: goldens made without a fused unit, width, boundedness, calibration."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from bit_flips import FLIPS
from numba import njit
from numeric_loads import BY_NAME, flip_between_stages
from numpy.typing import NDArray

from workloads import fma, fma_kernels
from workloads.digest import combine, fold
from workloads.fma import FmaFp32, FmaFp64, FmaTask, peak
from workloads.fma_kernels import RUN, vector_bits
from workloads.prng import splitmix64

FORMATS = (FmaFp64, FmaFp32)
GOLDENS = [(kind, steps) for kind in FORMATS for steps in kind.goldens]
PROFILES = Path(__file__).resolve().parents[2] / "profiles"
WORD = np.uint64(2**64 - 1)

# A fused multiply-add from additions and multiplications alone: Boldo and Melquiond (2008),
# "Emulation of a FMA and correctly rounded sums: proved algorithms using rounding to odd",
# IEEE Trans. Computers 57(4):462-471, figure 4; exact sums and products after Knuth and Dekker.


@njit(inline="always")
def exact_sum(a, b):  # type: ignore[no-untyped-def]
    total = a + b
    part = total - a
    return total, (a - (total - part)) + (b - part)


@njit(inline="always")
def exact_product(a, b):  # type: ignore[no-untyped-def]
    product = a * b
    split = 134217729.0 * a
    a_high = split - (split - a)
    a_low = a - a_high
    split = 134217729.0 * b
    b_high = split - (split - b)
    b_low = b - b_high
    rest = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low
    return product, rest


@njit(inline="always")
def sum_to_odd(a, b):  # type: ignore[no-untyped-def]
    total, rest = exact_sum(a, b)
    bits = np.float64(total).view(np.int64)
    if rest != 0.0 and (bits & 1) == 0:
        bits += np.int64(1) if (rest > 0.0) == (total > 0.0) else np.int64(-1)
    return np.int64(bits).view(np.float64)


@njit(inline="always")
def fma64(a, b, c):  # type: ignore[no-untyped-def]
    high, low = exact_product(a, b)
    sum_high, sum_low = exact_sum(c, low)
    top, under = exact_sum(high, sum_high)
    return top + sum_to_odd(sum_low, under)


@njit(inline="always")
def fma32(a, b, c):  # type: ignore[no-untyped-def]
    """The product of two FP32 numbers is exact in FP64."""
    return np.float32(sum_to_odd(np.float64(a) * np.float64(b), np.float64(c)))


@njit
def sheared64(x, y, table, steps):  # type: ignore[no-untyped-def]
    width = 64  # a constant, so that the loops vectorise
    xs, ys = np.empty(width, x.dtype), np.empty(width, x.dtype)
    for start in range(0, x.size, width):
        xs[:] = x[start : start + width]
        ys[:] = y[start : start + width]
        for step in range(steps):
            row = table[step & 7]
            for place in range(width):
                xs[place] = fma64(row[place], ys[place], xs[place])
            for place in range(width):
                ys[place] = fma64(-row[place], xs[place], ys[place])
        x[start : start + width] = xs
        y[start : start + width] = ys


@njit
def sheared32(x, y, table, steps):  # type: ignore[no-untyped-def]
    width = 128  # as above
    xs, ys = np.empty(width, x.dtype), np.empty(width, x.dtype)
    for start in range(0, x.size, width):
        xs[:] = x[start : start + width]
        ys[:] = y[start : start + width]
        for step in range(steps):
            row = table[step & 7]
            for place in range(width):
                xs[place] = fma32(row[place], ys[place], xs[place])
            for place in range(width):
                ys[place] = fma32(-row[place], xs[place], ys[place])
        x[start : start + width] = xs
        y[start : start + width] = ys


SHEARED = {FmaFp64: sheared64, FmaFp32: sheared32}


def turned(z: NDArray[np.uint64], steps: int) -> NDArray[np.uint64]:
    """The integer chains, in whole-array arithmetic; the count starts again at half-time."""
    z = z.copy()
    for _ in range(2):
        for step in range(steps // 2):
            z = (z << np.uint64(29) | z >> np.uint64(35)) + np.uint64(step)
    return z


def emulated(task: FmaTask, kind: type[Any], steps: int) -> int:
    x, y = task.start_x.copy(), task.start_y.copy()
    SHEARED[kind](x, y, task.table, steps)
    return combine(fold(x), fold(y), fold(turned(splitmix64(1, 128), steps)))


@pytest.mark.parametrize(("kind", "steps"), GOLDENS, ids=lambda it: getattr(it, "name", it))
def test_the_shipped_golden_needs_no_fused_unit(kind: type[Any], steps: int) -> None:
    workload = kind()
    task = workload.prepare({"steps": steps}, 1)
    assert emulated(task, kind, steps) == workload.golden({"steps": steps}, 1)


@pytest.mark.parametrize("kind", FORMATS)
def test_the_fused_unit_gives_the_golden_of_a_short_pass_too(kind: type[Any]) -> None:
    task = kind().prepare({"steps": 8192}, 1)
    task.execute()
    assert task.digest() == kind().golden({"steps": 8192}, 1)


def test_every_shipped_profile_asks_for_steps_whose_golden_ships() -> None:
    """Else the lanes would have to agree on it, and an unstable machine bless its own error."""
    asked = []
    for path in sorted(PROFILES.glob("*.yaml")):
        for load in yaml.safe_load(path.read_text("utf-8"))["loads"]:
            workload = {kind.name: kind() for kind in FORMATS}.get(load["workload"])
            if workload is not None:
                parameters = workload.complete(load.get("parameters", {}))
                assert workload.golden(parameters, 1) is not None, (path.name, parameters)
                asked.append(parameters["steps"])
    assert {8192, 131072} <= set(asked)


def test_the_emulation_is_right_to_the_last_bit_in_rational_arithmetic() -> None:
    rng = np.random.default_rng(1)
    scales = 2.0 ** rng.integers(-60, 60, (3, 5000))
    numbers = rng.standard_normal((3, 5000)) * scales
    numbers[2, ::3] = -numbers[0, ::3] * numbers[1, ::3]
    numbers[2, 1::9] = -numbers[0, 1::9] * numbers[1, 1::9] * (1 + 2.0**-40)
    for a, b, c in numbers.T:
        # float() of a fraction rounds once, to nearest even.
        assert fma64(a, b, c) == float(Fraction(a) * Fraction(b) + Fraction(c))


def test_the_single_emulation_is_right_to_the_last_bit_in_rational_arithmetic() -> None:
    """Half-way cases on purpose: product and addend far apart, sums near FP32 midpoints."""
    rng = np.random.default_rng(2)
    numbers = rng.standard_normal((3, 5000)).astype(np.float32)
    numbers[:2] = np.round(numbers[:2] * 16) / 16
    numbers[2] *= (2.0 ** rng.integers(-30, 30, 5000)).astype(np.float32)
    for a, b, c in numbers.T:
        exact = Fraction(float(a)) * Fraction(float(b)) + Fraction(float(c))
        found = Fraction(float(fma32(a, b, c)))
        nearest = np.float32(float(exact))
        around = [np.nextafter(nearest, np.float32(side)) for side in (-np.inf, np.inf)]
        best = min(abs(Fraction(float(value)) - exact) for value in (nearest, *around))
        assert abs(found - exact) == best


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("width", [128, 256, 512])
def test_every_vector_width_gives_the_same_bits(kind: type[Any], width: int) -> None:
    """Wider vectors than the CPU has are split by the compiler: slower, the same result."""
    task = kind().prepare({"steps": 1024}, 7)
    task.execute()
    right = task.digest()
    task._bind(width)
    task.execute()
    assert task.digest() == right


def test_points_do_not_drift_away_in_a_whole_default_pass() -> None:
    for kind in FORMATS:
        task = kind().prepare(kind().complete({}), 1)
        task.execute()
        radius = np.hypot(task.x.astype(np.float64), task.y.astype(np.float64))
        start = np.hypot(task.start_x.astype(np.float64), task.start_y.astype(np.float64))
        assert (radius <= 1.3 * start).all()
        assert (radius >= start / 1.3).all()


@pytest.mark.parametrize("kind", FORMATS)
def test_the_eight_steps_of_every_column_make_a_rotation(kind: type[Any]) -> None:
    """A product of maps of determinant 1 neither grows nor shrinks when its |trace| < 2."""
    table = kind().prepare({"steps": 1024}, 1).table.astype(np.float64)
    for column in table.T:
        product = np.eye(2)
        for m in column:
            product = np.array([[1.0, m], [-m, 1.0 - m * m]]) @ product
        assert np.linalg.det(product) == pytest.approx(1.0)
        assert abs(np.trace(product)) < 1.9
        assert ((column >= 0.125) & (column <= 0.25)).all()


@pytest.mark.parametrize(("steps", "near"), [(1025, "1024 or 2048"), (100_000, "65536 or 131072")])
def test_steps_without_a_golden_of_their_own_are_refused(steps: int, near: str) -> None:
    """No invariant covers the points, so on one lane an agreed golden would bless any error."""
    rule = f"steps: received {steps}, must be a power of 2; use {near}"
    with pytest.raises(ValueError, match=rule):
        FmaFp64().complete({"steps": steps})


@pytest.mark.parametrize("kind", FORMATS)
def test_a_golden_ships_for_every_number_of_steps_that_can_be_chosen(kind: type[Any]) -> None:
    spec = kind.parameters["steps"]
    accepted = [1 << n for n in range(64) if spec.low <= 1 << n <= spec.high]
    assert sorted(kind.goldens) == accepted
    assert all(kind().complete({"steps": steps}) == {"steps": steps} for steps in accepted)


@pytest.mark.parametrize(
    ("features", "machine", "bits"),
    [
        ("+sse2,+avx,+fma,+avx2,+avx512f", "x86_64", 512),
        ("+sse2,+avx,+fma,+avx2,-avx512f", "x86_64", 256),
        ("+sse2,+avx,-fma,+avx2", "x86_64", 0),
        ("+sse2", "AMD64", 0),
        ("+neon", "aarch64", 128),
        ("+neon", "arm64", 128),
    ],
)
def test_the_width_follows_the_cpu(
    monkeypatch: pytest.MonkeyPatch, features: str, machine: str, bits: int
) -> None:
    monkeypatch.setattr(fma_kernels.numba_config, "CPU_FEATURES", features, raising=False)
    monkeypatch.setattr(fma_kernels.platform, "machine", lambda: machine)
    assert vector_bits() == bits


def test_a_cpu_without_fused_multiply_adds_is_not_available(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(fma, "vector_bits", lambda: 0)
    assert "no fused multiply-add" in FmaFp64().availability().reason
    with pytest.raises(ValueError, match="no peak can be measured"):
        peak(3e9, lambda: 0)
    FmaFp64().warm()


def test_the_code_path_names_the_width() -> None:
    assert FmaFp64().code_path({"steps": 1024}) == f"{vector_bits()}-bit vectors"


class Timer:
    """A clock on which every pass takes the next of `spans` nanoseconds."""

    def __init__(self, spans: list[int]) -> None:
        self.times = [0]
        for span in spans:
            self.times += [self.times[-1], self.times[-1] + span]
        self.times = self.times[1:]

    def __call__(self) -> int:
        return self.times.pop(0)


@pytest.mark.parametrize(
    ("per_cycle", "pipes"), [(2.0, 1), (1.94, 1), (2.1, 1), (3.0, 2), (4.0, 2), (4.05, 2)]
)
def test_the_peak_is_the_fastest_pass_and_a_whole_number_of_pipes(
    per_cycle: float, pipes: int
) -> None:
    """`per_cycle` flop a lane: two for each pipe, less what is lost."""
    lanes = vector_bits() // 64
    work = FmaFp64().prepare({"steps": 16384}, 1).work_per_pass
    fast = round(work / (per_cycle * lanes))  # ns at 1 GHz
    found = peak(1e9, Timer([3 * fast, fast, 2 * fast]), FmaFp64(), passes=3)
    assert found.measured_flop_per_cycle == pytest.approx(per_cycle * lanes, rel=1e-4)
    assert (found.lanes, found.pipes) == (lanes, pipes)
    assert found.ceiling_flop_per_cycle == 2 * lanes * pipes


@pytest.mark.parametrize("name", ["fma-fp64", "fma-fp32"])
def test_flips_at_half_time_live_on(name: str) -> None:
    """Measured 99 %, the rest lost to rounding in the lowest bits; see also the long pass."""
    campaign = flip_between_stages(BY_NAME[name].task(), "result", FLIPS)
    assert campaign.missed == 0
    assert campaign.caught >= 0.95 * campaign.flips


@pytest.mark.parametrize("kind", FORMATS)
def test_flips_live_on_through_a_long_pass_too(kind: type[Any]) -> None:
    """Half a default pass, 65,536 steps, after the flip. Measured 99 % (FP64), 95 % (FP32)."""
    task = kind().prepare(kind().complete({}), 1)
    campaign = flip_between_stages(task, "result", flips=60)
    assert campaign.missed == 0
    assert campaign.caught >= 0.9 * campaign.flips


def test_every_kernel_of_the_table_exists_for_both_formats() -> None:
    assert sorted(RUN) == sorted((bits, width) for bits in (64, 32) for width in (128, 256, 512))
