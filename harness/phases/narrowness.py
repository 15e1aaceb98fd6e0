"""Trials until the interval is narrow enough, between the profile's minimum and maximum.

Ending when the half width is reached is a sequential rule: it looks at the spread only, never at
which side a result lies, so it does not favour either answer; the minimum keeps a lucky pair of
equal trials from ending it at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.plan import PlannedLoad

_CONFIDENCE = 0.95


def narrow_enough(load: PlannedLoad, rates: Sequence[float]) -> bool:
    """True when no further trial of `load` is needed; `rates` are those of its valid trials."""
    if load.half_width_percent is None or len(rates) < max(2, load.minimum_trials):
        return False
    return half_width_percent(rates) <= load.half_width_percent


def half_width_percent(rates: Sequence[float]) -> float:
    """Half width of the Student interval of the mean, in percent of the mean (n >= 2)."""
    from statistics import fmean, stdev

    from scipy.special import stdtrit

    quantile = float(stdtrit(len(rates) - 1, 0.5 + _CONFIDENCE / 2))
    return 100.0 * quantile * stdev(rates) / math.sqrt(len(rates)) / fmean(rates)
