"""The baseline of a re-qualification: copied into the new run's record, and judged from there.

The record alone must reproduce every judgement, so the baseline's trials themselves are copied in
(a few kilobytes), with what decides whether the two runs are like for like.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.compared import FactChange
from harness.errors import ComparisonRefused
from harness.judgement.comparison import Compared, CompareOptions, compare_sides
from harness.judgement.sides import side_as_json, side_from_json, side_of
from harness.machine.compare import changed_facts
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
    return runs_named(data.context)


def runs_named(context: Mapping[str, Any]) -> tuple[str, ...]:
    """The runs of the baseline in a record's context, () where it holds none."""
    stored = context.get(BASELINE)
    named = stored.get("run_ids") if isinstance(stored, Mapping) else None
    return tuple(str(name) for name in named) if isinstance(named, list | tuple) else ()


@dataclass(frozen=True)
class AgainstBaseline:
    """A run against the baseline in its record: `compared`, or None and the `reason`.

    `changes` is everything that differs between the two, listed even where comparing is refused.
    """

    compared: Compared | None
    reason: str = ""
    changes: tuple[FactChange, ...] = ()


def compare_with_baseline(data: RunData, profile: Profile) -> AgainstBaseline:
    """Judge the run against the baseline in its record, at the look that its record counts."""
    stored = data.context.get(BASELINE)
    if not isinstance(stored, Mapping):
        return AgainstBaseline(None, NO_BASELINE)
    try:
        before = side_from_json(
            {name: value for name, value in stored.items() if name != "format_version"}
        )
    except (KeyError, TypeError, ValueError) as error:
        return AgainstBaseline(None, f"the baseline in the record cannot be read ({error!r})")
    options = CompareOptions(
        confidence=profile.confidence,
        margin_percent=profile.statistics.margin_percent,
        between_boot_percent=profile.statistics.between_boot_percent,
        looks=looks_of(data.context),
    )
    try:
        compared = compare_sides(before, side_of([data]), options)
    except ComparisonRefused as error:
        return AgainstBaseline(None, str(error), error.changes)
    return AgainstBaseline(compared, "", compared.comparison.changes)


def looks_of(context: Mapping[str, Any]) -> int:
    """Which look at its baseline a record's context counts; the first where it says none."""
    looks = context.get(LOOKS)
    return looks if isinstance(looks, int) and looks >= 1 else 1


def next_look(
    baseline: Sequence[RunData],
    earlier: Iterable[RunData],
    facts: Mapping[str, Any],
    settings: Mapping[str, Any],
) -> int:
    """Which look at `baseline` a new run of it takes, from 1.

    Whoever re-qualifies the same machine again because they did not like the answer looks again:
    each of the `earlier` runs with trials that was judged against the same baseline, under the
    facts and settings of now, was a look, also where it did not run to its end: what it has was
    judged. What was changed since opens a new question.
    """
    named = {run.run_id for run in baseline}
    looks = [
        looks_of(run.context)
        for run in earlier
        if named & set(baseline_runs(run))
        and run.trials
        and dict(run.settings) == dict(settings)
        and not changed_facts(run.facts, facts)
    ]
    return max(looks, default=0) + 1
