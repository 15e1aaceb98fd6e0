"""One entry for a comparison: two sides of workloads, boots and trials to ratios and decisions."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from harness.outcome import Verdict
from harness.statistics.agreement import LogRatio, why_contradicted
from harness.statistics.decision import (
    Change,
    LimitDecision,
    Sense,
    decide_against_limit,
    decide_change,
    holm_levels,
)
from harness.statistics.dependence import DependencePrior, PooledDependence, pool_dependence
from harness.statistics.levels import (
    BetweenBoot,
    assumed_between_boot,
    combine_variances,
)
from harness.statistics.overall import OverallComparison, compare_overall
from harness.statistics.planning import Costs, Plan, Spread, plan_decision, two_sided_p_value
from harness.statistics.quantiles import student_quantile
from harness.statistics.ratio import RatioInterval, fieller_limits, ratio_from_terms
from harness.statistics.sides import ErrorTerms, Side, error_terms, make_side, spread_between
from harness.statistics.spending import SpendingPlan, level_at_look
from harness.statistics.summary import mean_of
from harness.statistics.validation import require_confidence, require_positive

WITHIN = "within one boot"
ACROSS = "across boots"
LOOKS_USED_UP = "the planned looks are used up: no error is left to spend"


@dataclass(frozen=True)
class WorkloadSides:
    """One workload's verified, kept trial values on both sides, boot by boot.

    `better` is "higher" for throughput, "lower" for seconds. A boot without trials is left out.
    """

    name: str
    unit: str
    before: Sequence[Sequence[float]]
    after: Sequence[Sequence[float]]
    better: str = "higher"


@dataclass(frozen=True)
class ComparisonSettings:
    """What the comparison is asked for.

    `within_one_boot`: both sides are one boot, or values typed in without a boot column.
    `between`: the machine's spread between boots; the declared assumption if None. A mapping gives
    it by workload. `looks`: which look at this comparison this is. `planned_looks`: how many there
    will be at most, None for open. `information`: how much each look so far had, if known.
    """

    confidence: float = 0.95
    margin_percent: float = 1.0
    within_one_boot: bool = False
    between: BetweenBoot | Mapping[str, BetweenBoot] | None = None
    looks: int = 1
    planned_looks: int | None = None
    information: Sequence[float] | None = None
    method: str = "welch"
    power: float = 0.9
    costs: Costs = field(default_factory=Costs)
    prior: DependencePrior = field(default_factory=DependencePrior)

    def __post_init__(self) -> None:
        """Refuse what no comparison can mean."""
        require_confidence(self.confidence)
        require_confidence(self.power, "power")
        require_positive(self.margin_percent, "margin_percent")
        if self.method not in {"welch", "fieller"}:
            raise ValueError(f"method={self.method!r}: must be 'welch' or 'fieller'")

    @property
    def looks_end(self) -> bool:
        """Whether no look is left after this one."""
        return self.planned_looks is not None and self.looks >= self.planned_looks

    def level(self, alpha: float) -> float:
        """Level of this look for an error of `alpha` that is spent over the looks."""
        plan = SpendingPlan(alpha, self.planned_looks)
        return level_at_look(self.looks, plan, self.information)

    def next_level(self, alpha: float) -> float:
        """Level of the next look; of the first of a new comparison where the looks end here."""
        plan = SpendingPlan(alpha, self.planned_looks)
        return level_at_look(1 if self.looks_end else self.looks + 1, plan)

    def between_boots(self, workload: str) -> BetweenBoot | None:
        """The spread between boots for one workload; None within one boot."""
        if self.within_one_boot:
            return None
        if isinstance(self.between, BetweenBoot):
            return self.between
        known = self.between.get(workload) if self.between is not None else None
        return known or assumed_between_boot()


@dataclass(frozen=True)
class WorkloadComparison:
    """One workload's ratio (above 1: AFTER is faster, whatever the unit's direction).

    `low`/`high` have the stated confidence on their own; `decision_low`/`decision_high` are the
    limits the decision used, adjusted for the family and for looking again. `trials_needed` and
    `boots_needed` are totals a side that would decide an undecided workload at the next look,
    cheapest mix first; None when it is decided, or when `plan` says that none is in reach.
    `not_slower` is the guard-banded verdict on "not slower than the margin" from one-sided limits,
    whose error is spent over the looks too.
    """

    name: str
    unit: str
    ratio: float | None
    low: float | None
    high: float | None
    decision: Change
    decision_low: float | None
    decision_high: float | None
    decision_confidence: float
    p_value: float | None
    not_slower: LimitDecision
    trials_before: int
    trials_after: int
    boots_before: int
    boots_after: int
    trials_needed: int | None
    boots_needed: int | None
    plan: Plan | None
    method: str
    reason: str | None


@dataclass(frozen=True)
class Comparison:
    """The whole comparison. `level` is the two-sided error this look may spend.

    `contradicted`: one sentence where the workloads together speak against the assumed spread
    between boots; else empty.
    """

    confidence: float
    margin_percent: float
    scope: str
    looks: int
    level: float
    dependence: PooledDependence
    workloads: tuple[WorkloadComparison, ...]
    overall: OverallComparison
    assumptions: tuple[str, ...]
    contradicted: str = ""


@dataclass(frozen=True)
class _Estimate:
    """A workload on its way: sides, difference of mean logarithms and its error."""

    sides: WorkloadSides
    before: Side | None
    after: Side | None
    difference: float | None
    errors: ErrorTerms
    interval: RatioInterval
    p_value: float | None
    #: Lag-1 correlation of trials that the errors heed.
    coefficient: float = 0.0


@dataclass(frozen=True)
class _Levels:
    """Two-sided levels of one workload: at this look, and at the next."""

    now: float
    later: float


def compare_workloads(
    workloads: Sequence[WorkloadSides], settings: ComparisonSettings | None = None
) -> Comparison:
    """Compare two sides workload by workload, and overall.

    Ratio of means on the log scale with Welch's interval (or Fieller's where asked) over boots
    and trials; decisions at the level that this look may spend, controlled over the family of
    workloads by Holm's procedure.
    """
    settings = settings or ComparisonSettings()
    alpha = 1.0 - settings.confidence
    level = settings.level(alpha)
    pooled = _dependence(workloads, settings)
    estimates = [_estimate(sides, settings, pooled.used) for sides in workloads]
    p_values = [estimate.p_value for estimate in estimates]
    levels = holm_levels(p_values, alpha, settings.level)
    # An undecided workload is judged next at a further look, which has less error left.
    later = holm_levels(p_values, alpha, settings.next_level)
    compared = tuple(
        _compare(estimate, settings, _Levels(*own), len(workloads))
        for estimate, *own in zip(estimates, levels, later, strict=True)
    )
    pairs = [(item.before, item.after) for item in estimates if item.errors.terms]
    overall = compare_overall(
        [(first, second) for first, second in pairs if first is not None and second is not None],
        [item.errors for item in estimates if item.errors.terms],
        settings.between_boots(""),
        confidence=settings.confidence,
        level=level,
        margin_percent=settings.margin_percent,
    )
    scope = WITHIN if settings.within_one_boot else ACROSS
    assumptions = tuple(dict.fromkeys(_assumptions(estimates, settings)))
    contradicted = why_contradicted(_resting_on_assumption(estimates, settings))
    return Comparison(
        settings.confidence, settings.margin_percent, scope, settings.looks, level, pooled,
        compared, overall, assumptions, contradicted,
    )  # fmt: skip


def _resting_on_assumption(
    estimates: Sequence[_Estimate], settings: ComparisonSettings
) -> list[LogRatio]:
    """Ratios of one boot a side whose spread between boots is only assumed."""
    found = []
    for item in estimates:
        between = settings.between_boots(item.sides.name)
        if item.difference is None or not item.errors.terms or item.before is None:
            continue
        single = item.after is not None and len(item.before.boots) == len(item.after.boots) == 1
        if single and between is not None and between.degrees is None:
            found.append(LogRatio(item.difference, item.errors.terms, between.percent))
    return found


def _dependence(
    workloads: Sequence[WorkloadSides], settings: ComparisonSettings
) -> PooledDependence:
    boots = [boot for sides in workloads for side in (sides.before, sides.after) for boot in side]
    return pool_dependence(boots, settings.prior)


def _estimate(sides: WorkloadSides, settings: ComparisonSettings, coefficient: float) -> _Estimate:
    if sides.better not in {"higher", "lower"}:
        raise ValueError(f"better={sides.better!r} of {sides.name}: must be 'higher' or 'lower'")
    before = make_side(sides.before, sides.better)
    after = make_side(sides.after, sides.better)
    missing = _missing(before, after)
    if missing is not None or before is None or after is None:
        interval = RatioInterval(None, None, None, settings.confidence, "none", reason=missing)
        nothing = ErrorTerms((), "none", missing)
        return _Estimate(sides, before, after, None, nothing, interval, None)
    difference = after.mean - before.mean
    errors = error_terms(before, after, settings.between_boots(sides.name), coefficient)
    if not errors.terms:
        interval = RatioInterval(
            math.exp(difference), None, None, settings.confidence, errors.method,
            reason=errors.reason,
        )  # fmt: skip
        return _Estimate(sides, before, after, difference, errors, interval, None)
    interval = ratio_from_terms(difference, errors.terms, settings.confidence, errors.method)
    variance, degrees = combine_variances(errors.terms)
    p_value = two_sided_p_value(difference, math.sqrt(variance), degrees)
    return _Estimate(sides, before, after, difference, errors, interval, p_value, coefficient)


def _missing(before: Side | None, after: Side | None) -> str | None:
    if before is None or after is None:
        return "a ratio needs positive values"
    if not before.boots or not after.boots:
        return "no trial on one side"
    return None


def _compare(
    estimate: _Estimate, settings: ComparisonSettings, levels: _Levels, family: int
) -> WorkloadComparison:
    level = levels.now
    shown = _limits(estimate, settings, settings.confidence)
    decided = _limits(estimate, settings, 1.0 - level) if level > 0.0 else None
    low, high = (decided.low, decided.high) if decided is not None else (None, None)
    decision = decide_change(low, high, settings.margin_percent)
    plan = None
    if decision is Change.UNDECIDED and estimate.difference is not None:
        plan = _plan(estimate, settings, levels.later)
    sides, reason = estimate.sides, estimate.interval.reason
    if reason is None and level <= 0.0:
        reason = LOOKS_USED_UP
    return WorkloadComparison(
        name=sides.name,
        unit=sides.unit,
        ratio=shown.ratio,
        low=shown.low,
        high=shown.high,
        decision=decision,
        decision_low=low,
        decision_high=high,
        decision_confidence=1.0 - level,
        p_value=estimate.p_value,
        not_slower=_not_slower(estimate, settings, family),
        trials_before=sum(len(boot) for boot in sides.before),
        trials_after=sum(len(boot) for boot in sides.after),
        boots_before=sum(bool(len(boot)) for boot in sides.before),
        boots_after=sum(bool(len(boot)) for boot in sides.after),
        trials_needed=None if plan is None else plan.trials,
        boots_needed=None if plan is None else plan.boots,
        plan=plan,
        method=shown.method,
        reason=reason,
    )


def _limits(estimate: _Estimate, settings: ComparisonSettings, confidence: float) -> RatioInterval:
    if estimate.difference is None or not estimate.errors.terms:
        return replace(estimate.interval, confidence=confidence)
    if settings.method == "fieller":
        return _fieller(estimate, confidence)
    errors = estimate.errors
    return ratio_from_terms(estimate.difference, errors.terms, confidence, errors.method)


def _fieller(estimate: _Estimate, confidence: float) -> RatioInterval:
    """Fieller's limits on arithmetic means, with the relative errors of the log-scale terms."""
    variance, degrees = combine_variances(estimate.errors.terms)
    means = [
        mean_of([mean_of(boot) for boot in side if len(boot)])
        for side in (estimate.sides.before, estimate.sides.after)
    ]
    share = estimate.errors.before_share
    errors = [
        mean * math.sqrt(variance * part)
        for mean, part in zip(means, (share, 1.0 - share), strict=True)
    ]
    if estimate.sides.better == "lower":
        means.reverse()
        errors.reverse()
    t = student_quantile(0.5 + confidence / 2.0, degrees)
    limits = fieller_limits(means[1], means[0], errors[1], errors[0], t)
    return RatioInterval(
        limits.ratio, limits.low, limits.high, confidence, f"Fieller, {estimate.errors.method}",
        degrees, math.sqrt(variance), limits.reason,
    )  # fmt: skip


def _not_slower(estimate: _Estimate, settings: ComparisonSettings, family: int) -> LimitDecision:
    """Guard-banded verdict on "not slower than the margin", from one-sided limits.

    Passing every member of a family needs no adjustment (an intersection-union test: Berger 1982,
    Technometrics 24:295-300); failing any one does, so the upper limit is Bonferroni's. Both spend
    their error over the looks: an unlucky pass is as much an error at the third try.
    """
    alpha = 1.0 - settings.confidence
    limit = 1.0 / (1.0 + settings.margin_percent / 100.0)
    passing, failing = settings.level(alpha), settings.level(alpha / max(1, family))
    if passing <= 0.0:
        return LimitDecision(Verdict.INCONCLUSIVE, LOOKS_USED_UP)
    low = _limits(estimate, settings, 1.0 - 2.0 * passing).low
    high = _limits(estimate, settings, 1.0 - 2.0 * failing).high
    return decide_against_limit(low, high, limit, Sense.AT_LEAST)


def _plan(estimate: _Estimate, settings: ComparisonSettings, level: float) -> Plan | None:
    """What would decide it at the next look, at `level`; nothing where the data show no error."""
    before, after, difference = estimate.before, estimate.after, estimate.difference
    if before is None or after is None or difference is None or not estimate.errors.terms:
        return None
    between = settings.between_boots(estimate.sides.name)
    spread = measured_spread(before, after, between, estimate.coefficient)
    if spread is None:
        return None
    plan = plan_decision(
        difference,
        spread,
        settings.margin_percent,
        level=level,
        beyond=(
            min(len(before.boots), len(after.boots)),
            min(before.trials, after.trials),
        ),
        power=settings.power,
        costs=settings.costs,
        one_boot=settings.within_one_boot,
    )
    if settings.looks_end and plan.boots is not None:
        return replace(plan, why=f"{plan.why}, in a new comparison: the planned looks end here")
    return plan


def measured_spread(
    before: Side, after: Side, between: BetweenBoot | None, coefficient: float = 0.0
) -> Spread | None:
    """Spread inside and between boots that the limits rest on, for planning; None if unseen.

    What is believed of the boots, and how well it is known, is what made the error terms: a plan
    from anything else would promise what the next comparison does not keep.
    """
    degrees = before.within_degrees + after.within_degrees
    if degrees <= 0:
        return None
    within = 100.0 * math.sqrt((before.within_squares + after.within_squares) / degrees)
    believed = spread_between(before, after, between, coefficient)
    if believed is None:
        return Spread(within, None)
    return Spread(within, believed.percent, believed.degrees)


def _assumptions(estimates: Sequence[_Estimate], settings: ComparisonSettings) -> list[str]:
    """What a reader must know the limits rest on."""
    if settings.within_one_boot:
        return ["holds for this boot only: another boot may differ"]
    return [
        f"spread between boots: {estimate.errors.method}"
        for estimate in estimates
        if estimate.errors.terms and " between boots" in estimate.errors.method
    ]
