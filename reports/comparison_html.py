"""The page of a comparison: what changed first, then what came of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from harness import units
from harness.compared import Comparison, FactChange, WorkloadComparison
from reports.environment import render
from reports.forest_plot import change_text, forest
from reports.html import FOLD_ROWS
from reports.wording import change_rows

#: The decisions in the order in which a reader needs them.
_DECISIONS = ("slower", "undecided", "faster", "equivalent")


def comparison_html(comparison: Comparison, *, before: str, after: str) -> str:
    """The page; `before` and `after` name the two sides (run ids, file names)."""
    return render(
        "comparison.html.j2",
        comparison=comparison,
        before=before,
        after=after,
        forest=forest(_without_repeating(comparison)),
        narrow_forest=forest(_without_repeating(comparison), narrow=True),
        headline=headline(comparison),
        changes=changed_rows(comparison.changes),
        overall_text=_overall_text(comparison),
        change_text=change_text,
        limits_text=limits_text,
        means_text=means_text,
        needed_text=needed_text,
        confidence=units.stated(100 * comparison.confidence, "%"),
        margin=units.stated(comparison.margin_percent, "%"),
        fold_rows=FOLD_ROWS,
    )


def _without_repeating(comparison: Comparison) -> Comparison:
    """One workload is not shown a second time as all of them together."""
    return comparison if len(comparison.workloads) != 1 else replace(comparison, overall={})


def headline(comparison: Comparison) -> str:
    """How many workloads went which way, the bad news first: ``1 slower, 3 equivalent``."""
    counts = [
        (sum(item.decision == decision for item in comparison.workloads), decision)
        for decision in _DECISIONS
    ]
    return (
        ", ".join(f"{count} {decision}" for count, decision in counts if count)
        or "no common workload"
    )


def changed_rows(changes: Iterable[FactChange]) -> tuple[tuple[str, str, str], ...]:
    """(name, before, after) of each change; where the runs of a side differ, all they say."""
    return change_rows(
        replace(item, before=_either(item.before), after=_either(item.after))
        if item.fact.startswith("setting ")
        else item
        for item in changes
    )


def _either(setting: Any) -> Any:
    """A declared setting is one text: several are what several runs declared."""
    if not isinstance(setting, list | tuple):
        return setting
    return " or ".join("not stated" if value is None else str(value) for value in setting)


def means_text(item: WorkloadComparison, between: str = " before, ", end: str = " after") -> str:
    """Both sides' means with their unit, "" where not both are known."""
    if item.mean_before is None or item.mean_after is None:
        return ""
    means = (item.mean_before, item.mean_after)
    scale = units.scale_for(max(means), item.unit)
    first, second = (
        f"{units.number(float(scale.apply(value)))} {scale.symbol}".strip() for value in means
    )
    return f"{first}{between}{second}{end}"


def limits_text(item: WorkloadComparison) -> str:
    """The limits that the decision used, adjusted for the family of workloads."""
    if item.decision_low is None or item.decision_high is None:
        return "none"
    low = units.change(item.decision_low).removesuffix(" %")
    return f"{low} to {units.change(item.decision_high)}"


def needed_text(item: WorkloadComparison) -> str:
    """What it would still take to decide, in words."""
    if item.decision != "undecided":
        return "nothing"
    parts = [
        f"{units.count(amount)} {noun}"
        for amount, noun in ((item.trials_needed, "trials"), (item.boots_needed, "boots"))
        if amount is not None
    ]
    return f"{' over '.join(parts)} a side" if parts else "not known"


def _overall_text(comparison: Comparison) -> str:
    overall = comparison.overall
    if overall.get("ratio") is None:
        return str(overall.get("why") or "not measured")
    change = change_text(overall["ratio"], overall.get("low"), overall.get("high"))
    return f"speed {change}: {overall.get('decision') or 'undecided'}"
