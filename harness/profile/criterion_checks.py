"""Rules of a profile about its criteria: one that can never pass here is refused before the night.

What a criterion asks for must be what some load of the profile gives: a load of its kind, in the
load's own unit and direction, and no longer than the load lasts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from harness.criteria.base import CriterionSpec, LoadCriterion
from harness.criteria.minimum_soak import MinimumSoak
from harness.criteria.throughput_floor import ThroughputFloor
from harness.errors import nearest
from harness.profile.model import Load, Profile
from harness.profile.patterns import HalfLanes
from harness.profile.positions import Step
from harness.profile.registry import Violation, WorkloadRegistry
from harness.units import factor_of, span, symbol_of
from workloads.contract import Workload

_KINDS = {"trials": "a load with trials", "soak": "a soak"}


def criterion_violations(profile: Profile, registry: WorkloadRegistry) -> Iterator[Violation]:
    """(path, message) for every criterion that the loads of `profile` cannot satisfy."""
    loads = {load.name: load for load in profile.loads}
    beside = {name for _, name in profile.mixed_names()}
    for index, spec in enumerate(profile.accept):
        for keys, message in _of_criterion(spec, loads, beside, registry):
            yield Violation(("accept", index, *keys), message)


_Found = tuple[tuple[Step, ...], str]


def _of_criterion(
    spec: CriterionSpec,
    loads: Mapping[str, Load],
    beside: set[str],
    registry: WorkloadRegistry,
) -> Iterator[_Found]:
    key = "loads" if "loads" in type(spec).model_fields else "load"
    misfits = [text for name in spec.load_names() if (text := _misfit(spec, name, loads))]
    if misfits:
        yield from (((key,), text) for text in misfits)
        return
    judged = [load for load in loads.values() if _is_judged(spec, load)]
    if spec.needs and not judged:
        wanted = _KINDS[spec.needs]
        message = f"{spec.criterion} judges {wanted}, and this profile has none: add it, or "
        yield (), f"{message}remove this criterion"
    if isinstance(spec, LoadCriterion):
        yield from _of_optional(spec, loads, beside)
    if isinstance(spec, MinimumSoak):
        yield from _of_minimum(spec, judged)
    if isinstance(spec, ThroughputFloor) and judged[0].workload in registry.names():
        yield from _of_floor(spec, registry.load(judged[0].workload))


def _misfit(spec: CriterionSpec, name: str, loads: Mapping[str, Load]) -> str:
    if name not in loads:
        return f"received '{name}', no load of this profile; {nearest(name, list(loads))}"
    if spec.needs == "trials" and loads[name].is_soak:
        return f"{spec.criterion} judges trials, and load '{name}' is a soak"
    if spec.needs == "soak" and not loads[name].is_soak:
        return f"{spec.criterion} judges soaks, and load '{name}' has trials"
    return ""


def _is_judged(spec: CriterionSpec, load: Load) -> bool:
    named = spec.load_names()
    fits = not spec.needs or load.is_soak is (spec.needs == "soak")
    return fits and (not named or load.name in named)


def _of_optional(
    spec: LoadCriterion, loads: Mapping[str, Load], beside: set[str]
) -> Iterator[_Found]:
    """What only accompanies others in a mixed pattern is a load of the record, too."""
    known = [*loads, *beside]
    for name in spec.optional_loads:
        if name not in known:
            message = f"received '{name}', no load of this profile; {nearest(name, known)}"
            yield ("optional_loads",), message


def _of_minimum(spec: MinimumSoak, judged: Sequence[Load]) -> Iterator[_Found]:
    asked = spec.minimum_minutes * 60
    for load in judged:
        longest = _longest_seconds(load)
        if asked > longest:
            yield (
                ("minimum_minutes",),
                f"asks for {span(asked)} on each core, and '{load.name}' gives a core "
                f"{span(longest)} at most: ask for less, or soak for longer",
            )


def _longest_seconds(load: Load) -> float:
    """The longest that any core works in a soak, however few cores there are."""
    seconds = load.soak_duration_seconds or 0.0
    alternates = isinstance(load.pattern, HalfLanes) and load.pattern.which == "alternate"
    return seconds / 2 if alternates else seconds


def _of_floor(spec: ThroughputFloor, workload: Workload) -> Iterator[_Found]:
    """Its key must fit the direction of the load's values, its unit their unit."""
    if spec.at_least_percent_of_baseline is not None:
        return
    lower = workload.lower_is_better
    given, wanted = ("at_least", "at_most") if lower else ("at_most", "at_least")
    unit = f"s/{workload.unit}" if lower else f"{workload.unit}/s"
    if getattr(spec, given) is not None:
        better = "lower" if lower else "higher"
        yield (given,), f"values of {workload.name} are better when {better}: give {wanted}"
    elif factor_of(spec.unit, unit) is None:
        example = f"n{symbol_of(unit)}" if lower else f"M{symbol_of(unit)}"
        message = f"received '{spec.unit}', {workload.name} is measured in {symbol_of(unit)}"
        yield ("unit",), f"{message}: give that, or with a prefix of the SI, e.g. {example}"
