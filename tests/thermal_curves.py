"""Temperatures of an invented machine: the step response of a Foster network."""

from __future__ import annotations

import math
from collections.abc import Sequence


def step_response(
    times_seconds: Sequence[float], parts: Sequence[tuple[float, float]]
) -> list[float]:
    """Rise at each time: sum R_i (1 - exp(-t / tau_i)), the form of JESD51-14.

    `parts`: (rise in degrees Celsius, time constant in seconds).
    """
    return [
        math.fsum(-rise * math.expm1(-time / constant) for rise, constant in parts)
        for time in times_seconds
    ]
