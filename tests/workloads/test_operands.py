"""Seeded operands: ranges, distributions, independence of streams, alignment."""

from __future__ import annotations

from math import log

import numpy as np
import pytest
from scipy.stats import kstest

from workloads.operands import _log_below_one, aligned, integers, normals, uniforms

COUNT = 20_000


def test_integers_fill_their_range_evenly() -> None:
    numbers = integers(1, 0, (COUNT,), 4, np.int64)
    values, counts = np.unique(numbers, return_counts=True)
    assert values.tolist() == list(range(-4, 5))
    assert np.abs(counts - COUNT / 9).max() < 6 * np.sqrt(COUNT / 9)


def test_uniforms_pass_kolmogorovs_test() -> None:
    numbers = uniforms(1, 0, (COUNT,), np.float64)
    assert ((numbers >= -1.0) & (numbers < 1.0)).all()
    assert kstest(numbers, "uniform", args=(-1, 2)).pvalue > 1e-3


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_normals_pass_kolmogorovs_test(seed: int) -> None:
    assert kstest(normals(seed, 0, (COUNT,), np.float64), "norm").pvalue > 1e-3


def test_an_odd_number_of_normals_has_no_gap() -> None:
    odd, even = normals(1, 0, (101,), np.float64), normals(1, 0, (102,), np.float64)
    assert (odd == even[:101]).all()
    assert np.isfinite(odd).all()


@pytest.mark.parametrize("value", [1.0, 0.9999999, 0.7071, 0.5, 0.1, 1e-3, 1e-17, 2.0**-106])
def test_the_logarithm_is_good_to_the_last_bits(value: float) -> None:
    assert _log_below_one(value) == pytest.approx(log(value), rel=4e-16, abs=0.0)


def test_streams_and_seeds_are_unlike_each_other() -> None:
    parts = [normals(seed, stream, (COUNT,), np.float64) for seed in (1, 2) for stream in (0, 1)]
    correlations = np.corrcoef(parts) - np.eye(4)
    assert np.abs(correlations).max() < 5 / np.sqrt(COUNT)


def test_single_precision_is_the_double_one_rounded() -> None:
    for make in (uniforms, normals):
        single, double = (make(7, 0, (50, 3), dtype) for dtype in (np.float32, np.float64))
        assert (single == double.astype(np.float32)).all()
        assert single.shape == (50, 3)


@pytest.mark.parametrize(("boundary", "offset"), [(64, 0), (4096, 0), (4096, 1024)])
def test_copies_lie_where_they_are_told(boundary: int, offset: int) -> None:
    array = np.arange(30.0).reshape(5, 6)[:, ::-1]
    copy = aligned(array, boundary, offset)
    assert copy.ctypes.data % boundary == offset
    assert copy.flags.c_contiguous and copy.flags.writeable
    assert (copy == array).all()
    copy[0, 0] = -1.0
    assert array[0, 0] == 5.0
