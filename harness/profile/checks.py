"""Rules of a profile that need more than its own text: workloads, their parameters, names.

Judging an old record does not run these: a workload may have been renamed since.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.errors import nearest
from harness.profile.criterion_checks import criterion_violations
from harness.profile.model import Load, Profile
from harness.profile.positions import Step
from harness.profile.registry import Violation, WorkloadRegistry
from harness.profile.sensor_checks import sensor_violations
from workloads.contract import Workload


def violations(profile: Profile, registry: WorkloadRegistry) -> Iterator[Violation]:
    """Everything in `profile` that the registry, the roles or another key contradict."""
    for index, load in enumerate(profile.loads):
        yield from _of_load(("loads", index), load, registry)
    yield from _of_mixtures(profile, registry)
    yield from criterion_violations(profile, registry)
    for path, message in sensor_violations(profile):
        yield Violation(path, message)


def _of_load(path: tuple[Step, ...], load: Load, registry: WorkloadRegistry) -> Iterator[Violation]:
    known = registry.names()
    if load.workload not in known:
        yield Violation(
            (*path, "workload"),
            f"received '{load.workload}', which is no workload; {nearest(load.workload, known)}",
        )
        return
    workload = registry.load(load.workload)
    yield from _of_parameters(path, load, workload)
    yield from _of_pairing(path, load, workload)


def _of_parameters(path: tuple[Step, ...], load: Load, workload: Workload) -> Iterator[Violation]:
    """Each parameter by itself, so that every mistake has its line; then all of them together."""
    found = [item for key in load.parameters for item in _of_parameter(path, key, load, workload)]
    yield from found or _of_all_parameters(path, load, workload)


def _of_parameter(
    path: tuple[Step, ...], key: str, load: Load, workload: Workload
) -> Iterator[Violation]:
    place = (*path, "parameters", key)
    if key not in workload.parameters:
        remedy = nearest(key, list(workload.parameters))
        yield Violation(place, f"is no parameter of {workload.name}; {remedy}")
        return
    try:
        Workload.complete(workload, {key: load.parameters[key]})
    except ValueError as error:
        yield Violation(place, str(error).removeprefix(f"{key}: "))


def _of_all_parameters(
    path: tuple[Step, ...], load: Load, workload: Workload
) -> Iterator[Violation]:
    """The rules that tie parameters together, which only some workloads have."""
    try:
        workload.complete(load.parameters)
    except ValueError as error:
        key, _, rest = str(error).partition(": ")
        given = key in load.parameters
        place = (*path, "parameters", key) if given else (*path, "workload")
        yield Violation(place, rest if given else str(error))


def _of_pairing(path: tuple[Step, ...], load: Load, workload: Workload) -> Iterator[Violation]:
    if workload.paired and load.pattern.kind != "pairs":
        yield Violation(
            (*path, "pattern"),
            f"{workload.name} works in pairs of lanes: set pattern: pairs",
        )
    if load.pattern.kind == "pairs" and not workload.paired:
        yield Violation(
            (*path, "pattern"),
            f"{workload.name} works lane by lane: pattern pairs is for workloads that meet in "
            "shared memory",
        )


def _of_mixtures(profile: Profile, registry: WorkloadRegistry) -> Iterator[Violation]:
    loads = {load.name: load.workload for load in profile.loads}
    known = registry.names()
    for index, other in profile.mixed_names():
        path: tuple[Step, ...] = ("loads", index, "pattern", "with")
        workload = loads.get(other, other)
        if workload not in known:
            remedy = nearest(other, [*loads, *known])
            yield Violation(path, f"received '{other}', neither a load nor a workload; {remedy}")
        elif registry.load(workload).paired:
            yield Violation(path, f"{workload} works in pairs of lanes and cannot be mixed")
