"""Each load of a run against the baseline it was judged by, in words; for report and terminal."""

from __future__ import annotations

from dataclasses import dataclass

from harness import units
from harness.compared import WorkloadComparison
from harness.results import RunResult
from reports.wording import NOT_MEASURED, unit_text


@dataclass(frozen=True)
class LoadChange:
    """One load before and after; `change` is of its speed, so that a gain is above zero.

    `why` tells a decision that could not be taken; it may be empty.
    """

    name: str
    before: str
    after: str
    change: str
    decision: str
    why: str = ""


def load_changes(result: RunResult) -> tuple[LoadChange, ...]:
    """One row for each load that was compared; () where the run was not compared."""
    return tuple(
        LoadChange(
            name=item.name,
            before=_value(item.mean_before, item.unit),
            after=_value(item.mean_after, item.unit),
            change=_change(item),
            decision=item.decision,
            why=item.why if item.ratio is None else "",
        )
        for item in result.compared
    )


def _value(mean: float | None, unit: str) -> str:
    return NOT_MEASURED if mean is None else units.quantity(mean, unit_text(unit))


def _change(item: WorkloadComparison) -> str:
    if item.ratio is None:
        return NOT_MEASURED
    shown = units.change(item.ratio)
    if item.low is None or item.high is None:
        return shown
    return f"{shown} ({units.change(item.low)} to {units.change(item.high)})"
