"""Checks on what callers hand in; a broken rule here is a bug of the caller, hence ValueError."""

from __future__ import annotations

import math
from collections.abc import Sequence


def require_confidence(confidence: float, name: str = "confidence") -> None:
    """Refuse a probability outside (0, 1): 0.95 is meant, not 95."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"{name}={confidence!r}: must lie between 0 and 1, as in 0.95")


def require_finite(values: Sequence[float], name: str = "values") -> None:
    """Refuse NaN and infinities: what was not measured is None and is left out by the caller."""
    for index, value in enumerate(values):
        if not math.isfinite(value):
            raise ValueError(f"{name}[{index}]={value!r}: must be finite; leave out what is absent")


def require_positive(value: float, name: str) -> None:
    """Refuse a quantity that must be above zero."""
    if not (value > 0.0 and math.isfinite(value)):
        raise ValueError(f"{name}={value!r}: must be a finite number above 0")
