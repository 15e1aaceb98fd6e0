"""The BCa bootstrap against Efron and Tibshirani's worked example.

Efron and Tibshirani (1993), An Introduction to the Bootstrap, chapter 14, table 14.2: the variance
of the spatial test data A. The book's BCa limits are Monte Carlo with 2,000 resamples; its ABC
limits are deterministic, and computed here independently of the product as a hard anchor.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm
from statistics_data import prints

from harness.statistics.bootstrap import acceleration_of, bca_level, bca_limits

SPATIAL_A = [
    48.0, 36, 20, 29, 42, 42, 20, 42, 22, 41, 45, 14, 6, 0, 33, 28, 34, 4, 32, 24, 47, 41, 24, 26,
    30, 41,
]  # fmt: skip


def plug_in_variance(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(values.var(axis=-1))


def weighted_variance(weights: NDArray[np.float64]) -> float:
    data = np.array(SPATIAL_A)
    mean = float(weights @ data)
    return float(weights @ (data - mean) ** 2)


def abc_limits(level: float, step: float) -> tuple[float, float]:
    """ABC limits by numerical derivatives: Efron and Tibshirani (1993), section 14.4."""
    count = len(SPATIAL_A)
    even = np.full(count, 1.0 / count)

    def along(direction: NDArray[np.float64]) -> tuple[float, float]:
        up, middle, down = (
            weighted_variance(even + shift * direction) for shift in (step, 0.0, -step)
        )
        return (up - down) / (2 * step), (up - 2 * middle + down) / step**2

    slopes = np.array([along(np.eye(count)[index] - even) for index in range(count)])
    influence, curvature = slopes[:, 0], slopes[:, 1]
    sigma = np.sqrt(np.sum(influence**2)) / count
    acceleration = np.sum(influence**3) / (6 * np.sum(influence**2) ** 1.5)
    direction = influence / (count**2 * sigma)
    bias = np.sum(curvature) / (2 * count**2)
    quadratic = along(direction)[1] / (2 * sigma)
    shift = quadratic - bias / sigma
    z0 = norm.ppf(2 * norm.cdf(acceleration) * norm.cdf(shift))

    def limit(z: float) -> float:
        w = z0 + z
        lam = w / (1 - acceleration * w) ** 2
        return weighted_variance(even + lam * direction)

    z = float(norm.ppf(level))
    return limit(-z), limit(z)


def test_the_estimate_and_the_acceleration_are_the_books() -> None:
    data = np.array(SPATIAL_A)
    assert prints(float(plug_in_variance(data[np.newaxis, :])[0]), "171.5")
    assert prints(acceleration_of(data, plug_in_variance), "0.061")


def test_bias_and_acceleration_move_the_levels_as_in_the_book() -> None:
    assert prints(bca_level(0.05, 0.146, 0.061), "0.110")
    # 0.985 is printed; the rounded constants give 0.98448, unrounded ones 0.985.
    assert bca_level(0.95, 0.146, 0.061) == pytest.approx(0.985, abs=6e-4)


def test_the_anchor_reproduces_the_books_deterministic_limits() -> None:
    low, high = abc_limits(0.95, 1e-3 / len(SPATIAL_A))
    assert prints(low, "116.7")
    assert prints(high, "260.9")


def test_bca_limits_agree_with_the_book_and_with_the_anchor() -> None:
    found = bca_limits(SPATIAL_A, 0.9, plug_in_variance, resamples=40000)
    assert found.low == pytest.approx(115.8, rel=0.02)
    assert found.high == pytest.approx(259.6, rel=0.02)
    low, high = abc_limits(0.95, 1e-3 / len(SPATIAL_A))
    assert found.low == pytest.approx(low, rel=0.02)
    assert found.high == pytest.approx(high, rel=0.02)
