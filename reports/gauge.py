"""A criterion's small figure: where the measured value and its interval lie against the limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.results import CriterionResult
from reports.figures import Axis, spread

WIDTH, HEIGHT = 132.0, 22.0


@dataclass(frozen=True)
class Gauge:
    """Pixels of the limit, the value and the ends of its interval (equal where it is exact)."""

    limit: float
    value: float
    low: float
    high: float
    width: float = WIDTH
    height: float = HEIGHT


def gauge(item: CriterionResult) -> Gauge | None:
    """The figure, or None where there is nothing to set against each other.

    The axis spans the two and no more, since the distance to the limit is what is asked; a limit
    that was met exactly has no distance to show.
    """
    if item.measured is None or item.limit is None or item.measured == item.limit:
        return None
    low = item.measured if item.low is None else item.low
    high = item.measured if item.high is None else item.high
    values = (item.measured, item.limit, low, high)
    if not all(map(math.isfinite, values)):
        return None
    axis = Axis(*spread(min(values), max(values), share=0.12), 2.0, WIDTH - 2.0)
    places = map(axis.place, (item.limit, item.measured, low, high))
    return Gauge(*places)
