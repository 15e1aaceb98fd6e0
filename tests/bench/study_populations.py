"""Populations of trial values for the simulation study: invented, seeded, with a known truth.

Every population has mean 100 and a standard deviation of 0.5, the spread of a quiet machine, so
that rows differ in shape alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
#: Draws standardised noise (mean 0, sd 1) of the shape (series, trials).
Noise = Callable[[np.random.Generator, int, int], Numbers]

TRUE_MEAN = 100.0
TRUE_SD = 0.5


@dataclass(frozen=True)
class Population:
    """A named shape of noise. `family` is one of the five kinds the targets speak of."""

    name: str
    family: str
    noise: Noise

    def draw(self, generator: np.random.Generator, series: int, trials: int) -> Numbers:
        """Values of `series` independent workloads with `trials` trials each."""
        return TRUE_MEAN + TRUE_SD * self.noise(generator, series, trials)


def normal(generator: np.random.Generator, series: int, trials: int) -> Numbers:
    """Standard normal noise."""
    return generator.standard_normal((series, trials))


def gamma(shape: float) -> Noise:
    """Right-skewed noise with skewness 2 / sqrt(shape)."""

    def draw(generator: np.random.Generator, series: int, trials: int) -> Numbers:
        return (generator.gamma(shape, size=(series, trials)) - shape) / math.sqrt(shape)

    return draw


def student(degrees: float) -> Noise:
    """Heavy-tailed noise: Student's t scaled to unit variance."""

    def draw(generator: np.random.Generator, series: int, trials: int) -> Numbers:
        scale = math.sqrt((degrees - 2.0) / degrees)
        return scale * generator.standard_t(degrees, size=(series, trials))

    return draw


def two_clusters(share: float, separation: float) -> Noise:
    """A normal cluster and, with probability `share`, another `separation` sd away."""

    def draw(generator: np.random.Generator, series: int, trials: int) -> Numbers:
        member = generator.random((series, trials)) < share
        values = generator.standard_normal((series, trials)) + separation * member
        sd = math.sqrt(1.0 + share * (1.0 - share) * separation**2)
        return (values - share * separation) / sd

    return draw


def autoregressive(coefficient: float) -> Noise:
    """Stationary first-order autoregression with unit variance."""

    def draw(generator: np.random.Generator, series: int, trials: int) -> Numbers:
        shocks = generator.standard_normal((series, trials))
        values = np.empty_like(shocks)
        values[:, 0] = shocks[:, 0]
        scale = math.sqrt(1.0 - coefficient**2)
        for trial in range(1, trials):
            values[:, trial] = coefficient * values[:, trial - 1] + scale * shocks[:, trial]
        return values

    return draw


#: The rows the targets hold for.
TARGETED = (
    Population("normal", "normal", normal),
    Population("gamma, skewness 1", "skewed", gamma(4.0)),
    Population("Student t, 5 degrees", "heavy-tailed", student(5.0)),
    Population("two clusters, half and half, 4 sd apart", "two-cluster", two_clusters(0.5, 4.0)),
    Population("two clusters, 30:70, 3 sd apart", "two-cluster", two_clusters(0.3, 3.0)),
    Population("AR(1), 0.1", "autocorrelated", autoregressive(0.1)),
    Population("AR(1), 0.2", "autocorrelated", autoregressive(0.2)),
)

#: Harder rows, shown so that nobody takes the targets for more than they are.
BEYOND = (
    Population("gamma, skewness 2 (exponential)", "skewed", gamma(1.0)),
    Population("Student t, 3 degrees", "heavy-tailed", student(3.0)),
    Population("two clusters, 10:90, 6 sd apart", "two-cluster", two_clusters(0.1, 6.0)),
    Population("AR(1), 0.3", "autocorrelated", autoregressive(0.3)),
    Population("AR(1), 0.5", "autocorrelated", autoregressive(0.5)),
)
