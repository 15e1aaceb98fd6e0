"""What a comparison of two sides answers: frozen, typed, as the results of a run are.

A value that could not be computed is None, and `why` beside it says the reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class WorkloadComparison:
    """One workload before and after; `ratio` > 1 means AFTER is faster. Means are geometric."""

    name: str
    unit: str
    ratio: float | None
    low: float | None
    high: float | None
    decision: str
    decision_low: float | None
    decision_high: float | None
    trials_before: int
    trials_after: int
    boots_before: int
    boots_after: int
    trials_needed: int | None
    boots_needed: int | None
    why: str = ""
    mean_before: float | None = None
    mean_after: float | None = None


@dataclass(frozen=True)
class FactChange:
    """One fact or declared setting that differs between the two sides."""

    fact: str
    before: Any
    after: Any


@dataclass(frozen=True)
class Comparison:
    """The whole answer of `compare`."""

    confidence: float
    margin_percent: float
    workloads: tuple[WorkloadComparison, ...]
    overall: Mapping[str, Any]
    changes: tuple[FactChange, ...]
    warnings: tuple[str, ...]
    scope: str
    looks: int
    assumptions: tuple[str, ...] = ()
