"""Whether two sides are like for like: what is refused, what is warned of, what changed.

Stated rules:

* refused, unless asked for: runs of two machines (their hidden differences dwarf any setting);
* refused for one load: another unit or direction, workload version, parameters, pattern or basis:
  the numbers then measure different work;
* warned of: another profile, other libraries or code path, another number of lanes, failures or an
  early end on either side, loads that only one side has, runs that both sides have.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.compared import FactChange
from harness.criteria.judging import listed
from harness.judgement.sides import Side, SideLoad
from harness.machine.compare import changed_facts

#: Facts whose change most often explains a change of speed are listed first, by part of name.
_TELLING = (
    "firmware", "bios", "microcode", "kernel", "memory", "governor", "boost", "driver",
    "mitigation", "blas",
)  # fmt: skip


def why_refused(before: Side, after: Side, other_machine: bool) -> str:
    """Why the sides may not be compared at all, "" when they may."""
    if not other_machine and _on_two_machines(before, after):
        return (
            f"{before.source} and {after.source} ran on different machines, whose hidden "
            "differences are larger than any setting's effect: compare runs of one machine, or "
            "ask for it with --other-machine"
        )
    if not any(after.load(load.name) is not None for load in before.loads):
        return (
            f"{before.source} and {after.source} have no load with trials in common: compare runs "
            "of one profile"
        )
    return ""


def _on_two_machines(before: Side, after: Side) -> bool:
    return bool(before.machine and after.machine and before.machine != after.machine)


def _machine_warning(before: Side, after: Side) -> Iterator[str]:
    if _on_two_machines(before, after):
        yield "the two sides ran on different machines: the ratio compares machines, not settings"
    elif before.run_ids and after.run_ids and not (before.machine and after.machine):
        yield "the machine's identity is not known on both sides"


def why_unlike(before: SideLoad, after: SideLoad) -> str:
    """Why the two sides of one load measure different work, or "" when they are alike."""
    if before.unit != after.unit:
        return f"not like for like: {before.unit} before, {after.unit} after"
    if before.lower_is_better is not after.lower_is_better:
        return "not like for like: better is higher on one side and lower on the other"
    if not before.alike or not after.alike:
        return ""
    for name in before.alike.keys() | after.alike.keys():
        first, second = before.alike.get(name), after.alike.get(name)
        if first != second:
            return f"not like for like: {name} {_shown(first)} before, {_shown(second)} after"
    return ""


def _shown(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key}={item}" for key, item in value.items()) or "none"
    return str(value)


def warnings_of(before: Side, after: Side) -> Iterator[str]:
    """What a reader of the ratios must know about the sides."""
    yield from _machine_warning(before, after)
    shared = [run for run in before.run_ids if run in after.run_ids]
    if shared:
        yield f"on both sides: {listed(shared)}; what is compared with itself cannot differ"
    if (
        before.profile_sha256
        and after.profile_sha256
        and (set(before.profile_sha256) != set(after.profile_sha256))
    ):
        yield "the two sides were run by different profiles"
    yield from _unmatched(before, after)
    for load in before.loads:
        other = after.load(load.name)
        if other is not None:
            yield from _of_load(load, other)
    yield from before.concerns
    yield from after.concerns


def _unmatched(before: Side, after: Side) -> Iterator[str]:
    for side, other, place in ((before, after, "before"), (after, before, "after")):
        alone = [load.name for load in side.loads if other.load(load.name) is None]
        if alone:
            yield f"only measured {place}: {listed(alone)}"


def _of_load(before: SideLoad, after: SideLoad) -> Iterator[str]:
    if before.code_path and after.code_path and before.code_path != after.code_path:
        yield (f"{before.name} ran other code: {before.code_path} before, {after.code_path} after")
    if before.lanes and after.lanes and before.lanes != after.lanes:
        yield f"{before.name} ran on {before.lanes} lanes before and on {after.lanes} after"


def changes_between(before: Side, after: Side) -> tuple[FactChange, ...]:
    """Declared settings that differ, then facts, the telling ones first, then versions.

    What differs between any two boots (boot ids, free memory) is no change, nor is what one side
    could not read.

    None beside typed values, which tell nothing of their machine: that is no change.
    """
    if not before.run_ids or not after.run_ids:
        return ()
    settings = list(_changes(before.settings, after.settings, "setting "))
    facts = sorted(changed_facts(before.facts, after.facts), key=_rank)
    versions = list(_changes(before.versions, after.versions, "version of "))
    return (*settings, *facts, *versions)


def _rank(change: FactChange) -> int:
    name = change.fact.lower()
    return next((place for place, part in enumerate(_TELLING) if part in name), len(_TELLING))


def _changes(
    before: Mapping[str, Any], after: Mapping[str, Any], prefix: str
) -> Iterator[FactChange]:
    for name in dict.fromkeys([*before, *after]):
        if before.get(name) != after.get(name):
            yield FactChange(prefix + name, before.get(name), after.get(name))
