"""The baseline of a re-qualification: copied into the new run's record, and judged from there.

The record alone must reproduce every judgement, so the baseline's trials themselves are copied in
(a few kilobytes), with what decides whether the two runs are like for like.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from harness.errors import ComparisonRefused
from harness.judgement.comparison import Compared, CompareOptions, compare_sides
from harness.judgement.sides import side_as_json, side_from_json, side_of
from harness.profile.model import Profile
from harness.results import RunData

FORMAT_VERSION = 1
NO_BASELINE = "no baseline was given"
#: Name of the baseline, and of the number of looks, in a record's context.
BASELINE, LOOKS = "baseline", "looks"


def summarise_baseline(runs: Sequence[RunData]) -> dict[str, Any]:
    """Plain JSON of one or several runs that a later run shall be judged against."""
    return {"format_version": FORMAT_VERSION, **side_as_json(side_of(runs))}


def baseline_runs(data: RunData) -> tuple[str, ...]:
    """The runs that this one is judged against, () where its record holds no baseline."""
    stored = data.context.get(BASELINE)
    named = stored.get("run_ids") if isinstance(stored, Mapping) else None
    return tuple(str(name) for name in named) if isinstance(named, list | tuple) else ()


def compare_with_baseline(data: RunData, profile: Profile) -> tuple[Compared | None, str]:
    """The run against the baseline in its record, or None and the reason."""
    stored = data.context.get(BASELINE)
    if not isinstance(stored, Mapping):
        return None, NO_BASELINE
    try:
        before = side_from_json(
            {name: value for name, value in stored.items() if name != "format_version"}
        )
    except (KeyError, TypeError, ValueError) as error:
        return None, f"the baseline in the record cannot be read ({error!r})"
    options = CompareOptions(
        confidence=profile.confidence,
        margin_percent=profile.statistics.margin_percent,
        between_boot_percent=profile.statistics.between_boot_percent,
        looks=_looks(data),
        blind=profile.statistics.outliers == "blind",
    )
    try:
        return compare_sides(before, side_of([data]), options), ""
    except ComparisonRefused as error:
        return None, str(error)


def _looks(data: RunData) -> int:
    looks = data.context.get(LOOKS)
    return looks if isinstance(looks, int) and looks >= 1 else 1
