"""The page of a comparison: what changed first, then what came of it."""

from __future__ import annotations

from harness import units
from harness.results import Comparison, WorkloadComparison
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
        forest=forest(comparison),
        headline=headline(comparison),
        changes=change_rows(comparison.changes),
        overall_text=_overall_text(comparison),
        change_text=change_text,
        limits_text=limits_text,
        needed_text=needed_text,
        confidence=units.stated(100 * comparison.confidence, "%"),
        margin=units.stated(comparison.margin_percent, "%"),
        fold_rows=FOLD_ROWS,
    )


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
    return f"{change}: {overall.get('decision') or 'undecided'}"
