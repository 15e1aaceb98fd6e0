"""An oracle for looks: the chance of leaving the bounds, by the multivariate normal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import multivariate_normal


def repeated_look_error(information: Sequence[float], bounds: Sequence[float]) -> float:
    """Chance that any |Z_k| exceeds its bound when nothing differs.

    The Z_k of growing data have correlations sqrt(I_j / I_k); scipy integrates their joint density
    over the box (Genz 1992), which shares nothing with a recursion over looks.
    """
    steps = np.array(information)
    limits = np.array(bounds)
    correlations = np.sqrt(np.minimum.outer(steps, steps) / np.maximum.outer(steps, steps))
    inside = multivariate_normal(np.zeros(len(steps)), correlations, seed=1)
    inside.maxpts, inside.abseps, inside.releps = 400_000, 1e-7, 1e-7
    return 1.0 - float(inside.cdf(limits, lower_limit=-limits))
