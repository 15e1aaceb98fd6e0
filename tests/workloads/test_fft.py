"""The Fourier transform: golden from whole-array arithmetic, scipy as oracle, invariants, flips."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from bit_flips import FLIPS
from numeric_loads import BY_NAME, flip_between_stages
from numpy.typing import NDArray
from scipy.fft import fft

from workloads.digest import combine, fold
from workloads.fft import FftFp32, FftFp64, FftTask, error_bound

FORMATS = (FftFp64, FftFp32)
Planes = tuple[NDArray[Any], NDArray[Any]]


def times(root: Planes, number: Planes) -> Planes:
    """A complex product of planes; roots broadcast along the last axes."""
    (wr, wi), (r, i) = root, number
    return wr * r - wi * i, wr * i + wi * r


def forward(signal: Planes, roots: Planes, scale: Any) -> Planes:
    """Stockham's transform as reshapes: each stage one expression over the whole array."""
    points, batch = signal[0].shape
    length, stride = points, 1
    while length > 1:
        quarter = length // 4
        parts = [plane.reshape(4, quarter, stride, batch) for plane in signal]
        (ar, br, cr, dr), (ai, bi, ci, di) = parts
        powers = np.arange(quarter) * stride
        w = [tuple(table[k * powers][:, None, None] for table in roots) for k in (1, 2, 3)]
        upper = (ar + cr) + (br + dr), (ai + ci) + (bi + di)
        half = (ar + cr) - (br + dr), (ai + ci) - (bi + di)
        right = (ar - cr) + (bi - di), (ai - ci) + (dr - br)
        left = (ar - cr) - (bi - di), (ai - ci) - (dr - br)
        if quarter > 1:
            right, half, left = times(w[0], right), times(w[1], half), times(w[2], left)
        else:
            both = (upper, right, half, left)
            upper, right, half, left = ((r * scale, i * scale) for r, i in both)
        both = (upper, right, half, left)
        stacked = [np.stack([pair[part] for pair in both], axis=1) for part in (0, 1)]
        signal = stacked[0].reshape(points, batch), stacked[1].reshape(points, batch)
        length, stride = quarter, stride * 4
    return signal


def oracle(task: FftTask) -> int:
    """The pass in whole-array arithmetic, from the task's signal and roots."""
    re, im = (plane.reshape(task.points, -1) for plane in task.start)
    one, over = task.scales
    for _ in range(task.trips):
        re, im = forward((re, im), task.roots, one)
        im, re = forward((im, re), task.roots, over)
    re, im = forward((re, im), task.roots, one)
    return combine(fold(np.ascontiguousarray(re)), fold(np.ascontiguousarray(im)))


@pytest.mark.parametrize("kind", FORMATS)
def test_the_shipped_golden_is_whole_array_arithmetics(kind: type[Any]) -> None:
    workload = kind()
    defaults = workload.complete({})
    assert oracle(workload.prepare(defaults, 1)) == workload.golden(defaults, 1)


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("points", [64, 256, 1024])
def test_even_and_odd_numbers_of_stages_agree_with_whole_array_arithmetic(
    kind: type[Any], points: int
) -> None:
    task = kind().prepare({"points": points, "round_trips": 4}, 3)
    task.execute()
    assert task.digest() == oracle(task)


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("points", [64, 1024, 4096])
def test_the_spectrum_is_scipys_up_to_rounding(kind: type[Any], points: int) -> None:
    task = kind().prepare({"points": points, "round_trips": 4}, 1)
    task.execute()
    signal = (task.start[0].astype(np.complex128) + 1j * task.start[1]).reshape(points, -1)
    spectrum = (task.planes[2].astype(np.complex128) + 1j * task.planes[3]).reshape(points, -1)
    right = fft(signal, axis=0)
    error = np.linalg.norm(spectrum - right, axis=0) / np.linalg.norm(right, axis=0)
    assert error.max() <= 9 * error_bound(points, kind.dtype)


@pytest.mark.parametrize(
    ("points", "trips", "rule"),
    [
        (128, 4, "points: received 128, must be a power of 4; use 64 or 256"),
        (1000, 4, "points: received 1000, must be a power of 4; use 256 or 1024"),
        (64, 6, "round_trips: received 6, must be a multiple of 4; use 4 or 8"),
    ],
)
def test_sizes_that_do_not_fit_are_refused(points: int, trips: int, rule: str) -> None:
    with pytest.raises(ValueError, match=rule):
        FftFp64().complete({"points": points, "round_trips": trips})


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("points", [64, 1024, 1 << 20])
def test_so_many_round_trips_that_no_check_could_see_an_error_are_refused(
    kind: type[Any], points: int
) -> None:
    """Oracle: the docstring's bound, a transform's error times the transforms of a pass."""
    trips = 4
    while (2 * trips + 9) * error_bound(points, kind.dtype) <= 1 / 16 and trips < 1 << 20:
        trips += 4
    given = {"points": points, "round_trips": trips}
    assert kind().complete(given) == given
    if trips < 1 << 20:
        with pytest.raises(ValueError, match=rf"must be at most {trips}; .* no check would see"):
            kind().complete({**given, "round_trips": trips + 4})


@pytest.mark.parametrize("change", [1e-3, np.nan, np.inf, 1e308])
def test_a_wrong_spectrum_breaks_parseval_and_the_inverse_in_its_signal(change: float) -> None:
    task = BY_NAME["fft-fp64"].task()
    task.execute()
    task.buffers()["result_re"].reshape(256, 16)[9, 11] += change
    parseval, inverse = task.invariants()
    assert parseval.detail == "1 energies differ, first signal 11"
    assert inverse.detail.startswith("1 signals differ, first signal 11; ")
    assert not parseval.ok
    assert not inverse.ok


def test_a_spectrum_of_the_wrong_signal_keeps_parseval_but_not_the_inverse() -> None:
    """Two points of one spectrum exchanged: the energy is the same, the signal is not."""
    task = BY_NAME["fft-fp64"].task()
    task.execute()
    for name in ("result_re", "result_im"):
        rows = task.buffers()[name].reshape(256, 16)
        rows[[3, 200], 5] = rows[[200, 3], 5]
    parseval, inverse = task.invariants()
    assert parseval.ok
    assert inverse.detail.startswith("1 signals differ, first signal 5; ")


def test_the_work_is_counted_by_the_trades_convention() -> None:
    task = FftFp64().prepare({"points": 1024, "round_trips": 4}, 1)
    assert task.work_per_pass == 9 * 16 * 5 * 1024 * 10


@pytest.mark.parametrize("name", ["fft-fp64", "fft-fp32"])
def test_flips_between_round_trips_live_on(name: str) -> None:
    """Measured 99 % (FP64) and 98 % (FP32); the rest are low bits lost to rounding."""
    campaign = flip_between_stages(BY_NAME[name].task(), "intermediate", FLIPS)
    assert campaign.missed == 0
    assert campaign.caught >= 0.95 * campaign.flips


def test_flips_in_the_spectrum_before_it_is_made_are_overwritten() -> None:
    campaign = flip_between_stages(BY_NAME["fft-fp64"].task(), "result", 50)
    assert (campaign.harmless, campaign.missed) == (50, 0)
