"""The geometric mean of a comparison's ratios, with its interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.decision import Change, decide_change
from harness.statistics.levels import BetweenBoot, combine_variances
from harness.statistics.ratio import ratio_from_terms
from harness.statistics.sides import BOOTS_TO_MEASURE, ErrorTerms, Side, Term
from harness.statistics.summary import mean_of, sd_of


@dataclass(frozen=True)
class OverallComparison:
    """Geometric mean of the workloads' ratios; each workload counts alike."""

    ratio: float | None
    low: float | None
    high: float | None
    decision: Change
    decision_low: float | None
    decision_high: float | None
    workloads: int
    method: str
    reason: str | None


def compare_overall(
    sides: Sequence[tuple[Side, Side]],
    errors: Sequence[ErrorTerms],
    between: BetweenBoot | None,
    *,
    confidence: float,
    level: float,
    margin_percent: float,
) -> OverallComparison:
    """Overall ratio of the workloads that hold an interval.

    Fleming and Wallace (1986), Communications of the ACM 29:218-221: normalised results are
    averaged geometrically. The workloads are those chosen, not a sample of others. What a boot
    fixes may move all of them together: from three boots a side on, the boots' own overall means
    show it; below that the errors are taken to move together as far as they can.
    """
    if not sides:
        reason = "no workload holds an interval"
        nothing = Change.UNDECIDED
        return OverallComparison(None, None, None, nothing, None, None, 0, "none", reason)
    difference = mean_of([after.mean - before.mean for before, after in sides])
    terms, method = _terms(sides, errors, between)
    shown = ratio_from_terms(difference, terms, confidence, method)
    decided = ratio_from_terms(difference, terms, 1.0 - level, method) if level > 0.0 else None
    low, high = (decided.low, decided.high) if decided is not None else (None, None)
    decision = decide_change(low, high, margin_percent)
    return OverallComparison(
        shown.ratio, shown.low, shown.high, decision, low, high, len(sides), method, shown.reason
    )


def _terms(
    sides: Sequence[tuple[Side, Side]], errors: Sequence[ErrorTerms], between: BetweenBoot | None
) -> tuple[list[Term], str]:
    per_boot = [_boot_means([pair[index] for pair in sides]) for index in range(2)]
    measured = all(means is not None and len(means) >= BOOTS_TO_MEASURE for means in per_boot)
    if between is not None and measured:
        terms: list[Term] = [
            (sd_of(means) ** 2 / len(means), len(means) - 1.0)
            for means in per_boot
            if means is not None
        ]
        return terms, "geometric mean, Welch on boots"
    combined = [combine_variances(error.terms) for error in errors]
    if between is None:
        independent: list[Term] = [
            (variance / len(combined) ** 2, degrees) for variance, degrees in combined
        ]
        return independent, "geometric mean, independent workloads"
    error = mean_of([math.sqrt(variance) for variance, _ in combined])
    degrees = min(degrees for _, degrees in combined)
    return [(error**2, degrees)], "geometric mean, workloads moving together"


def _boot_means(sides: Sequence[Side]) -> list[float] | None:
    """Overall mean logarithm of each boot, or None where workloads have different boots."""
    if len({len(side.boots) for side in sides}) != 1:
        return None
    return [mean_of(column) for column in zip(*(side.means for side in sides), strict=True)]
