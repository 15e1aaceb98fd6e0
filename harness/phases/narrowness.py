"""Trials until the interval is narrow enough, between the profile's minimum and maximum."""

from __future__ import annotations

from collections.abc import Sequence

from harness.plan import PlannedLoad
from harness.statistics.planning import trials_until


def narrow_enough(load: PlannedLoad, rates: Sequence[float]) -> bool:
    """True when no further trial of `load` is needed; `rates` are those of its valid trials.

    The rule, and what stopping by it costs, is :func:`trials_until`'s, at the profile's confidence.
    """
    if load.half_width_percent is None:
        return False
    return trials_until(
        rates,
        load.half_width_percent,
        minimum=load.minimum_trials,
        maximum=load.trials,
        confidence=load.confidence,
    ).stop
