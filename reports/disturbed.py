"""What a verdict must say beside itself: that there was no undisturbed trial to measure by."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence

from harness.results import KEPT_STATES, TrialPoint, WorkloadResult
from reports.text import one_line

#: How large a cause was, and where, differs from trial to trial; its kind is what is left.
_PARTICULARS = re.compile(
    r"\([^)]*\)| of the trial| a second| on (?:CPU|core|lane) \d+|[\d.]+ ?(?:%|°C)?"
)
_PERCENTAGE = re.compile(r"([0-9]+(?:\.[0-9]+)?) %")
_MOST_NAMES, _MOST_KINDS, _NAME_CHARACTERS = 4, 2, 60


def disturbed_text(workloads: Sequence[WorkloadResult]) -> str:
    """One sentence when every trial behind a workload's mean has a recorded cause of disturbance.

    ``every trial of sort-keys was disturbed: run delay (0.8 to 2.0 %); the values hold for these
    conditions``.
    Empty when each workload with trials has at least one that nothing is known to have disturbed.
    """
    found = {item.name: _kept(item) for item in workloads}
    hit = {name: points for name, points in found.items() if _all_disturbed(points)}
    if not hit:
        return ""
    kinds = Counter(kind for points in hit.values() for point in points for kind in _kinds(point))
    named = ", ".join(
        kind + _sizes(kind, hit.values()) for kind, _ in kinds.most_common(_MOST_KINDS)
    )
    return (
        f"every trial of {_names(list(hit))} was disturbed: {named}; "
        "the values hold for these conditions"
    )


def _sizes(kind: str, loads: Iterable[Sequence[TrialPoint]]) -> str:
    """From the smallest to the largest percentage among the causes of a kind."""
    causes = {it for points in loads for point in points for it in point.causes}
    found = [float(it[1]) for cause in causes if kind_of(cause) == kind
             for it in _PERCENTAGE.finditer(cause)]  # fmt: skip
    if not found:
        return ""
    least, most = f"{min(found):.1f}", f"{max(found):.1f}"
    return f" ({most} %)" if least == most else f" ({least} to {most} %)"


def _kept(item: WorkloadResult) -> list[TrialPoint]:
    return [point for point in item.points if point.state in KEPT_STATES]


def _all_disturbed(points: Sequence[TrialPoint]) -> bool:
    return bool(points) and all(point.causes for point in points)


def _kinds(point: TrialPoint) -> Iterable[str]:
    """Each kind once, however many causes of it one trial has."""
    return dict.fromkeys(one_line(kind_of(it), limit=_NAME_CHARACTERS) for it in point.causes)


def kind_of(cause: str) -> str:
    """A cause without its numbers and its place: ``run delay 12 % on CPU 3`` is ``run delay``."""
    return " ".join(_PARTICULARS.sub(" ", cause).split()) or cause


def _names(names: Sequence[str]) -> str:
    shown = [one_line(name, limit=_NAME_CHARACTERS) for name in names]
    if len(shown) > _MOST_NAMES:
        return f"{len(shown)} workloads"
    return " and ".join(filter(None, (", ".join(shown[:-1]), shown[-1])))
