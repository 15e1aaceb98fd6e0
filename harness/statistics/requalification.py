"""Planning a re-qualification: unchanged workloads must pass together, nearly always."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

from harness.statistics.ahead import chance_clear
from harness.statistics.dependence import effective_count, expected_used
from harness.statistics.levels import combine_variances
from harness.statistics.planning import (
    BOOTS_TO_MEASURE,
    Costs,
    Plan,
    Spread,
    cheapest,
)
from harness.statistics.quantiles import chi2_quantile
from harness.statistics.sides import CONTRADICTED, POOLED_DEGREES, Term
from harness.statistics.validation import require_confidence, require_positive

#: Equally likely cases of what a side of a few boots may show of the spread between them.
_CASES = 24


def chance_unchanged_passes(
    spread: Spread,
    baseline: tuple[int, int],
    again: tuple[int, int],
    margin_percent: float,
    *,
    level: float = 0.025,
    workloads: int = 1,
) -> float:
    """Chance that an unchanged workload is shown not slower than the margin.

    `baseline` and `again` are (boots, trials per boot). It passes when the one-sided lower limit of
    the ratio stays above 1 / (1 + margin): a noninferiority test (Julious 2004, Statistics in
    Medicine 23:1921-1986). `level` is one-sided and that of the look:
    the default is the first look at 5 %, which keeps half of it for going on. Widened as
    `design_of` says for a run of `workloads` workloads.
    """
    terms = _terms(spread, baseline, again, workloads)
    variance, degrees = combine_variances(terms)
    if variance <= 0.0 or degrees < 1.0:
        return 0.0
    shift = math.log1p(margin_percent / 100.0)
    believed = _believed(spread, baseline, again)
    estimated = terms if believed is None else terms[1:]
    return chance_clear(shift, variance, estimated, level, believed or ((1.0, 0.0),))


def _believed(
    spread: Spread, baseline: tuple[int, int], again: tuple[int, int]
) -> list[tuple[float, float]] | None:
    """What the comparison may take for the variance between boots, as known, and how likely.

    None where it takes the term for what it is. Where a few boots stand against an assumed spread,
    what one side's boots happen to show counts where it is more, of two sides the larger (each
    chi-square distributed); nothing is promised of the few cases in which they contradict it.
    """
    degrees = baseline[0] + again[0] - 2
    measured = min(baseline[0], again[0]) >= BOOTS_TO_MEASURE
    if not spread.assumed or measured or not 0 < degrees < POOLED_DEGREES:
        return None
    shares = 1.0 / baseline[0] + 1.0 / again[0]
    shown = Counter(
        max(first, second, spread.between_variance)
        for first in _shown(spread, *baseline)
        for second in _shown(spread, *again)
    )
    weight = (1.0 - CONTRADICTED) / shown.total()
    return [(weight * count, shares * between) for between, count in shown.items()]


def _shown(spread: Spread, boots: int, trials: int) -> list[float]:
    """Variances between boots that one side may show, equally likely; as `variance_components`
    finds them, free of what the trials leave in the mean of a boot."""
    if boots < 2:
        return [0.0]
    held = (spread.within_percent / 100.0) ** 2 / trials
    means = (spread.between_variance + held) / (boots - 1)
    return [
        means * chi2_quantile((place + 0.5) / _CASES, boots - 1) - held for place in range(_CASES)
    ]


def _terms(
    spread: Spread, baseline: tuple[int, int], again: tuple[int, int], workloads: int
) -> list[Term]:
    """The variance terms that `error_terms` will find."""
    sides = (baseline, again)
    fewest, together = min(baseline[0], again[0]), baseline[0] + again[0]
    across = spread.between_percent is not None
    if across and fewest >= BOOTS_TO_MEASURE:
        return [(spread.variance(*side), side[0] - 1.0) for side in sides]
    if across and together - 2 >= max(POOLED_DEGREES, spread.between_degrees or 0):
        return _pooled_terms(spread, sides, workloads)
    shares = 1.0 / baseline[0] + 1.0 / again[0]
    between = shares * spread.between_variance, spread.between_degrees
    return [between, *(_inside(spread, *side, workloads) for side in sides)]


def _inside(spread: Spread, boots: int, trials: int, workloads: int) -> Term:
    worth = _independent(boots, trials, workloads)
    variance = (spread.within_percent / 100.0) ** 2 / (worth * boots)
    return variance, boots * (worth - 1.0)


def _pooled_terms(spread: Spread, sides: Sequence[tuple[int, int]], workloads: int) -> list[Term]:
    """One spread of boot means for both sides, and what shorter boots lack in it."""
    within, degrees = (spread.within_percent / 100.0) ** 2, sum(boots - 1 for boots, _ in sides)
    worths = [_independent(boots, trials, workloads) for boots, trials in sides]
    held = sum((boots - 1) / worth for (boots, _), worth in zip(sides, worths, strict=True))
    shares = sum(1.0 / boots for boots, _ in sides)
    lacking = sum(
        max(0.0, 1.0 / worth - held / degrees) / boots
        for (boots, _), worth in zip(sides, worths, strict=True)
    )
    freedom = sum(boots * (worth - 1.0) for (boots, _), worth in zip(sides, worths, strict=True))
    means = shares * (spread.between_variance + within * held / degrees)
    return [(means, float(degrees)), (lacking * within, freedom)]


def _independent(boots: int, trials: int, workloads: int) -> float:
    """Independent trials that those of one boot will be taken for."""
    return effective_count(trials, expected_used(trials, 2 * boots * workloads))


def chance_all_pass(
    spreads: Sequence[Spread],
    baseline: tuple[int, int],
    again: tuple[int, int],
    margin_percent: float,
    level: float = 0.025,
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
            level=level,
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
    level: float = 0.025,
    costs: Costs | None = None,
    one_boot: bool = False,
) -> Plan:
    """Cheapest boots and trials with which all unchanged workloads pass together.

    `spreads`: one for each workload. `baseline`: boots and trials per boot that the stored run
    holds; None plans both sides alike, as for a baseline still to be measured. `level` is the
    one-sided one of the look.
    """
    require_positive(margin_percent, "margin_percent")
    require_confidence(assurance, "assurance")

    def achieved(boots: int, trials: int) -> float:
        stored = baseline or (boots, trials)
        return chance_all_pass(spreads, stored, (boots, trials), margin_percent, level)

    costs = costs or Costs()
    whole = Costs(costs.boot_seconds, costs.trial_seconds * max(1, len(spreads)))
    target = f"{len(spreads)} unchanged workloads pass together in {100 * assurance:g} % of runs"
    return cheapest(achieved, assurance, whole, target, 1 if one_boot else 40)
