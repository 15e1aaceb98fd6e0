"""Planning a re-qualification: unchanged workloads must pass together, nearly always."""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.statistics.dependence import effective_count, expected_used
from harness.statistics.levels import combine_variances
from harness.statistics.planning import (
    BOOTS_TO_MEASURE,
    Costs,
    Plan,
    Spread,
    cheapest,
    welch_degrees,
)
from harness.statistics.quantiles import noncentral_student_cdf, student_quantile
from harness.statistics.validation import require_confidence, require_positive


def chance_unchanged_passes(
    spread: Spread,
    baseline: tuple[int, int],
    again: tuple[int, int],
    margin_percent: float,
    *,
    confidence: float = 0.95,
    workloads: int = 1,
) -> float:
    """Chance that an unchanged workload is shown not slower than the margin.

    `baseline` and `again` are (boots, trials per boot). It passes when the one-sided lower limit of
    the ratio stays above 1 / (1 + margin): a noninferiority test, whose power is noncentral t
    (Julious 2004, Statistics in Medicine 23:1921-1986). Widened as `design_of` says for a run of
    `workloads` workloads.
    """
    terms: list[tuple[float, float | None]] = []
    for boots, trials in (baseline, again):
        measured = min(baseline[0], again[0]) >= BOOTS_TO_MEASURE
        if measured and spread.between_percent is not None:
            terms.append((spread.variance(boots, trials), _degrees(boots)))
        else:
            terms.extend(_few_boots(spread, boots, trials, workloads))
    variance, degrees = combine_variances(terms)
    if variance <= 0.0 or degrees < 1.0:
        return 0.0
    shift = math.log1p(margin_percent / 100.0) / math.sqrt(variance)
    return 1.0 - noncentral_student_cdf(student_quantile(confidence, degrees), degrees, shift)


def _few_boots(
    spread: Spread, boots: int, trials: int, workloads: int
) -> list[tuple[float, float | None]]:
    worth = effective_count(trials, expected_used(trials, 2 * boots * workloads))
    inside = (spread.within_percent / 100.0) ** 2 / (worth * boots)
    count = boots * (worth - 1.0) + 1.0
    return [(inside, _degrees(count)), (spread.between_variance / boots, None)]


def _degrees(count: float) -> float:
    """One side's share of Welch's expected degrees of freedom."""
    return welch_degrees(count) / 2.0


def chance_all_pass(
    spreads: Sequence[Spread],
    baseline: tuple[int, int],
    again: tuple[int, int],
    margin_percent: float,
    confidence: float = 0.95,
) -> float:
    """Chance that every unchanged workload passes, taken as independent.

    Errors that a boot shares among workloads make passing together more likely than this.
    """
    chances = {
        spread: chance_unchanged_passes(
            spread,
            baseline,
            again,
            margin_percent,
            confidence=confidence,
            workloads=len(spreads),
        )
        for spread in set(spreads)
    }
    return math.prod(chances[spread] for spread in spreads)


def plan_requalification(
    spreads: Sequence[Spread],
    baseline: tuple[int, int] | None = None,
    *,
    margin_percent: float = 1.0,
    assurance: float = 0.95,
    confidence: float = 0.95,
    costs: Costs | None = None,
    one_boot: bool = False,
) -> Plan:
    """Cheapest boots and trials with which all unchanged workloads pass together.

    `spreads`: one for each workload. `baseline`: boots and trials per boot that the stored run
    holds; None plans both sides alike, as for a baseline still to be measured.
    """
    require_positive(margin_percent, "margin_percent")
    require_confidence(assurance, "assurance")

    def achieved(boots: int, trials: int) -> float:
        stored = baseline or (boots, trials)
        return chance_all_pass(spreads, stored, (boots, trials), margin_percent, confidence)

    costs = costs or Costs()
    whole = Costs(costs.boot_seconds, costs.trial_seconds * max(1, len(spreads)))
    target = f"{len(spreads)} unchanged workloads pass together in {100 * assurance:g} % of runs"
    return cheapest(achieved, assurance, whole, target, 1 if one_boot else 40)
