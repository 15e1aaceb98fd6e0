"""Two sides, before and after a change: ratios, decisions, and what else changed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean

from harness.compared import Comparison, WorkloadComparison
from harness.criteria.evidence import RatioGuard
from harness.criteria.judging import listed
from harness.errors import ComparisonRefused
from harness.judgement.likeness import (
    changes_between,
    warnings_of,
    why_refused,
    why_unlike,
)
from harness.judgement.sides import Boots, Side, SideLoad
from harness.outcome import Verdict
from harness.statistics import between_runs as statistics
from harness.statistics.decision import Change, LimitDecision, decide_with_and_without
from harness.statistics.levels import BetweenBoot, assumed_between_boot, measured_between_boot
from harness.statistics.overall import OverallComparison
from harness.statistics.planning import Costs
from harness.units import interval


@dataclass(frozen=True)
class CompareOptions:
    """What a comparison is asked for.

    `looks` counts the looks taken at this comparison, this one included; `planned_looks` is how
    many there will be at most, `information` how much each look so far had, where that is known.
    `other_machine` allows two machines.
    """

    confidence: float = 0.95
    margin_percent: float = 1.0
    between_boot_percent: float = 0.3
    looks: int = 1
    planned_looks: int | None = None
    information: Sequence[float] | None = None
    method: str = "welch"
    other_machine: bool = False
    #: What a boot and a trial cost; trials as the runs took them where it is not given.
    costs: Costs | None = None


@dataclass(frozen=True)
class Compared:
    """The comparison, and per load the guarded verdict on "not slower than the margin"."""

    comparison: Comparison
    not_slower: Mapping[str, LimitDecision]
    #: Per load, what a decision on its ratio at another limit must heed.
    guards: Mapping[str, RatioGuard] = field(default_factory=dict)


def compare_sides(before: Side, after: Side, options: CompareOptions | None = None) -> Compared:
    """Compare two sides from any source. Raises ComparisonRefused when they are not alike."""
    options = options or CompareOptions()
    refuse_unlike(before, after, options.other_machine)
    pairs = _pairs(before, after)
    unlike = {
        first.name: first.unlike or second.unlike or why_unlike(first, second)
        for first, second in pairs
    }
    alike = [pair for pair in pairs if not unlike[pair[0].name]]
    found = _statistics(alike, before, after, options, everything=False)
    entire = found
    if any(first.rejected or second.rejected for first, second in alike):
        entire = _statistics(alike, before, after, options, everything=True)
    decided = _decide(alike, found, entire)
    comparison = Comparison(
        confidence=options.confidence,
        margin_percent=options.margin_percent,
        workloads=tuple(_all_loads(before, after, unlike, decided)),
        overall=_overall(found.overall, entire.overall, alike),
        changes=changes_between(before, after),
        warnings=tuple(filter(None, (*_warnings(before, after), found.contradicted))),
        scope=found.scope,
        looks=options.looks,
        assumptions=found.assumptions,
    )
    return Compared(
        comparison,
        {name: item.not_slower for name, item in decided.items()},
        {name: item.guard for name, item in decided.items()},
    )


def refuse_unlike(before: Side, after: Side, other_machine: bool = False) -> None:
    """Raise ComparisonRefused, with everything that differs, when the sides are not alike."""
    refusal = why_refused(before, after, other_machine)
    if refusal:
        changes = changes_between(before, after)
        raise ComparisonRefused(refusal, changes=changes, warnings=_warnings(before, after))


def _warnings(before: Side, after: Side) -> tuple[str, ...]:
    return tuple(dict.fromkeys(warnings_of(before, after)))


def _all_loads(
    before: Side, after: Side, unlike: Mapping[str, str], decided: Mapping[str, _Decided]
) -> Iterator[WorkloadComparison]:
    """Every load of BEFORE: one that is gone, or did other work, is undecided and says why."""
    for load in before.loads:
        if load.name in decided:
            yield decided[load.name].result
        else:
            why = unlike.get(load.name) or _why_gone(load.name, after)
            yield _undecided(load, after.load(load.name), why)


def _why_gone(name: str, after: Side) -> str:
    return f"measured before only: {after.untimed.get(name, 'the runs after did not include it')}"


@dataclass(frozen=True)
class _Decided:
    """One load's result, and the guarded verdict on "not slower than the margin"."""

    result: WorkloadComparison
    not_slower: LimitDecision
    guard: RatioGuard


def _decide(
    pairs: Sequence[tuple[SideLoad, SideLoad]],
    found: statistics.Comparison,
    entire: statistics.Comparison,
) -> dict[str, _Decided]:
    """Decisions that hang neither on rejected trials nor on trials that have no mean."""
    decided = {}
    for (first, second), without, with_all in zip(
        pairs, found.workloads, entire.workloads, strict=True
    ):
        result, not_slower = _with_means(_as_result(without), first, second), without.not_slower
        rejected = bool(first.rejected or second.rejected)
        if rejected:
            result = _settle(result, with_all)
            not_slower = decide_with_and_without(not_slower, with_all.not_slower)
        doubt = first.doubt or second.doubt
        if doubt:
            # Trials that move, or were mostly left out, have no mean to make a ratio of.
            # More of the same is no promise either.
            result = replace(result, decision=Change.UNDECIDED.value, why=doubt)
            result = replace(result, trials_needed=None, boots_needed=None)
            not_slower = LimitDecision(Verdict.INCONCLUSIVE, doubt)
        guard = RatioGuard(doubt, rejected, with_all.decision_low, with_all.decision_high)
        decided[first.name] = _Decided(result, not_slower, guard)
    return decided


def _with_means(
    result: WorkloadComparison, before: SideLoad, after: SideLoad | None
) -> WorkloadComparison:
    alike = after is not None and after.unit == before.unit
    return replace(
        result,
        mean_before=_mean(before),
        mean_after=_mean(after) if after is not None and alike else None,
    )


def _mean(load: SideLoad) -> float | None:
    """Geometric mean, each boot counting alike; None where there is none to tell."""
    boots = [boot for boot in load.boots if boot]
    if load.unlike or not boots or min(map(min, boots)) <= 0.0:
        return None
    return math.exp(fmean(fmean(map(math.log, boot)) for boot in boots))


def _pairs(before: Side, after: Side) -> list[tuple[SideLoad, SideLoad]]:
    return [(load, other) for load in before.loads if (other := after.load(load.name)) is not None]


def _statistics(
    pairs: Sequence[tuple[SideLoad, SideLoad]],
    before: Side,
    after: Side,
    options: CompareOptions,
    *,
    everything: bool,
) -> statistics.Comparison:
    def boots(load: SideLoad) -> Boots:
        return load.all_boots if everything else load.boots

    return statistics.compare_workloads(
        [
            statistics.WorkloadSides(
                first.name,
                first.unit,
                boots(first),
                boots(second),
                "lower" if first.lower_is_better else "higher",
            )
            for first, second in pairs
        ],
        statistics.ComparisonSettings(
            confidence=options.confidence,
            margin_percent=options.margin_percent,
            within_one_boot=_within_one_boot(before, after),
            between=_between(pairs, before, after, options),
            looks=options.looks,
            planned_looks=options.planned_looks,
            information=options.information,
            method=options.method,
            costs=options.costs or _costs(pairs),
        ),
    )


def _costs(pairs: Sequence[tuple[SideLoad, SideLoad]]) -> Costs:
    """A trial costs what it took in these runs, on average over their loads."""
    known = [load.trial_seconds for pair in pairs for load in pair if load.trial_seconds]
    return Costs(trial_seconds=sum(known) / len(known)) if known else Costs()


def _within_one_boot(before: Side, after: Side) -> bool:
    """Both sides are one and the same boot, or values typed in without saying which."""
    if not before.boots_told and not after.boots_told:
        return True
    ids = {*before.boot_ids, *after.boot_ids}
    return before.boots_told and after.boots_told and len(ids) == 1 and "" not in ids


def _between(
    pairs: Sequence[tuple[SideLoad, SideLoad]],
    before: Side,
    after: Side,
    options: CompareOptions,
) -> dict[str, BetweenBoot]:
    """Spread between boots of each load: measured on earlier identical runs, else assumed."""
    assumed = assumed_between_boot(options.between_boot_percent)
    found = {"": assumed}
    for first, _ in pairs:
        earlier = max((side.earlier.get(first.name, ()) for side in (before, after)), key=len)
        found[first.name] = measured_between_boot(earlier) or assumed
    return found


def _as_result(item: statistics.WorkloadComparison) -> WorkloadComparison:
    why = item.reason or (item.plan.why if item.plan is not None else "")
    return WorkloadComparison(
        name=item.name,
        unit=item.unit,
        ratio=item.ratio,
        low=item.low,
        high=item.high,
        decision=item.decision.value,
        decision_low=item.decision_low,
        decision_high=item.decision_high,
        trials_before=item.trials_before,
        trials_after=item.trials_after,
        boots_before=item.boots_before,
        boots_after=item.boots_after,
        trials_needed=item.trials_needed,
        boots_needed=item.boots_needed,
        why=why,
    )


def _undecided(before: SideLoad, after: SideLoad | None, reason: str) -> WorkloadComparison:
    boots_after = () if after is None else after.boots
    nothing = WorkloadComparison(
        name=before.name,
        unit=before.unit,
        ratio=None,
        low=None,
        high=None,
        decision=Change.UNDECIDED.value,
        decision_low=None,
        decision_high=None,
        trials_before=sum(map(len, before.boots)),
        trials_after=sum(map(len, boots_after)),
        boots_before=sum(map(bool, before.boots)),
        boots_after=sum(map(bool, boots_after)),
        trials_needed=None,
        boots_needed=None,
        why=reason,
    )
    return _with_means(nothing, before, after)


def _settle(
    without: WorkloadComparison, with_all: statistics.WorkloadComparison
) -> WorkloadComparison:
    """The rule of `decide_with_and_without`: two different decisions are no decision."""
    told = f"rejected trials left out; with every trial: {_ratio_text(with_all)}"
    if without.decision == with_all.decision.value:
        return replace(without, why="; ".join(filter(None, (without.why, told))))
    why = f"{without.decision} without the rejected trials, {with_all.decision} with them"
    return replace(without, decision=Change.UNDECIDED.value, why=f"{why}; {told}")


def _ratio_text(item: statistics.WorkloadComparison) -> str:
    if item.ratio is None:
        return "no ratio"
    if item.low is None or item.high is None:
        return f"ratio {item.ratio:.4f}"
    return f"ratio {interval(item.ratio, item.low, item.high, '')}"


def _overall(
    found: OverallComparison,
    entire: OverallComparison,
    pairs: Sequence[tuple[SideLoad, SideLoad]],
) -> dict[str, object]:
    """The overall ratio, decided by the rules of its loads: no doubt, nothing that hangs on
    rejected trials."""
    known = found.ratio is not None and math.isfinite(found.ratio)
    decision, why = found.decision, found.reason or ""
    doubtful = [first.name for first, second in pairs if first.doubt or second.doubt]
    if found.decision is not entire.decision:
        why = f"{found.decision} without the rejected trials, {entire.decision} with them"
        decision = Change.UNDECIDED
    if doubtful and known:
        why, decision = f"no mean holds for {listed(doubtful)}", Change.UNDECIDED
    return {
        "ratio": found.ratio if known else None,
        "low": found.low,
        "high": found.high,
        "decision": decision.value,
        "decision_low": found.decision_low,
        "decision_high": found.decision_high,
        "workloads": found.workloads,
        "method": found.method,
        "why": why,
    }
