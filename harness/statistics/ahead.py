"""What limits a comparison still to be made will find: the chance that they clear a bound.

The planners rest on it. A limit is computed from variances that are estimated too, and from few
trials their estimates scatter so much that a noncentral t at the expected degrees of freedom
promises too much: for ten workloads of three trials 97 % where 87 % pass together. So the chance is
integrated over what the estimates may be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from harness.statistics.sides import Term

#: Points at which each estimated variance is taken, and steps of the table of critical values.
_NODES = 24
_STEPS = 4000


def chance_clear(
    shift: float,
    truth: float,
    terms: Sequence[Term],
    level: float,
    believed: Sequence[tuple[float, float]] = ((1.0, 0.0),),
) -> float:
    """Chance that the one-sided lower limit at `level` lies above a bound.

    The estimate is normal, `shift` above the bound, with variance `truth`. Each of `terms` is what
    the comparison will find on average for one part of that variance, chi-square distributed with
    its degrees of freedom (None: known). `believed` are (chance, variance) of one more part that
    the comparison takes for known. Degrees of freedom are combined from what is found, as the
    comparison does. The average of Phi((shift - t s) / sigma) over the estimates s: Julious (2004),
    Statistics in Medicine 23:1921-1986, for one variance.
    """
    import numpy as np
    from scipy.special import ndtr

    weights = np.array([chance for chance, _ in believed])
    found = np.array([variance for _, variance in believed])
    spent = np.zeros_like(found)
    for variance, degrees in terms:
        if degrees is None or math.isinf(degrees) or variance == 0.0:
            found = found + variance
            continue
        chances, factors = _factors(degrees)
        seen = variance * factors
        found = np.add.outer(found, seen).ravel()
        spent = np.add.outer(spent, seen**2 / degrees).ravel()
        weights = np.multiply.outer(weights, chances).ravel()
    reciprocal = np.minimum(1.0, spent / found**2)  # of the degrees of freedom
    critical = np.interp(reciprocal, *_critical_values(level))
    return float(weights @ ndtr((shift - critical * np.sqrt(found)) / math.sqrt(truth)))


@lru_cache(maxsize=512)
def _factors(degrees: float) -> tuple[Any, Any]:
    """Chances and values of chi-square over its degrees of freedom.

    Gauss-Legendre nodes over the cumulative chance, drawn towards 1, where the values run away.
    """
    import numpy as np
    from scipy.special import gammainccinv

    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    places = (nodes + 1.0) / 2.0
    return weights * places, 2.0 * gammainccinv(degrees / 2.0, places**2) / degrees


@lru_cache(maxsize=64)
def _critical_values(level: float) -> tuple[Any, Any]:
    """Student's quantiles at 1 - level over the reciprocal of the degrees of freedom."""
    import numpy as np
    from scipy.special import ndtri, stdtrit

    reciprocal = np.linspace(0.0, 1.0, _STEPS + 1)
    values = np.concatenate([[ndtri(1.0 - level)], stdtrit(1.0 / reciprocal[1:], 1.0 - level)])
    return reciprocal, values
