"""`check`, `schema` and `workloads`: what would run, without running it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import AllowCommands, AsJson, RunsDir, SysfsRoot, sysfs_root
from harness.cli.plain import say, say_json

if TYPE_CHECKING:
    from pathlib import Path

    from harness.detection import Detection
    from harness.plan import Plan
    from harness.profile.loader import LoadedProfile
    from workloads.contract import Workload

ProfileArgument = Annotated[
    str, typer.Argument(metavar="PROFILE", help="Path of a profile, or a shipped one's name.")
]
Detect = Annotated[
    float | None,
    typer.Option(
        "--detect",
        metavar="PERCENT",
        help="Also say how many trials and boots show a change of this size on this machine.",
        show_default=False,
    ),
]
Power = Annotated[
    float, typer.Option("--power", help="With --detect: the chance that the change is found.")
]


def check(
    profile: ProfileArgument,
    as_json: AsJson = False,
    root: SysfsRoot = None,
    allow_commands: AllowCommands = False,
    detect: Detect = None,
    power: Power = 0.9,
    runs_dir: RunsDir = None,
) -> None:
    """Check a profile and print its plan without running anything."""
    from harness.machine.affinity import allowed_cpus
    from harness.machine.memory import available_memory_bytes
    from harness.plan import make_plan
    from harness.profile.loader import load_profile

    _check_question(detect, power)
    loaded = load_profile(profile)
    available = available_memory_bytes(sysfs_root(root))
    plan = make_plan(
        loaded.profile, allowed_cpus(), available_bytes=available, allow_commands=allow_commands
    )
    document = plan_document(loaded.profile.name, plan, available)
    detection = None
    if detect is not None:
        detection = _detection(loaded, plan, (detect, power), sysfs_root(root), runs_dir)
        document["detection"] = detection.as_json()
    if as_json:
        say_json(document)
        return
    for line in _plan_lines(plan, document):
        say(line)
    for line in _detection_lines(detection, runs_dir) if detection is not None else ():
        say(line)


def _check_question(detect: float | None, power: float) -> None:
    from harness.errors import UsageError

    if detect is not None and not 0 < detect <= 50:
        raise UsageError(f"--detect received {detect:g}: needs above 0 to 50 percent")
    if not 0.5 <= power < 1:
        raise UsageError(f"--power received {power:g}: needs 0.5 to below 1, e.g. 0.9")


def _detection(
    loaded: LoadedProfile,
    plan: Plan,
    question: tuple[float, float],
    root: Path,
    runs_dir: Path | None,
) -> Detection:
    """What the change needs, from the spread of earlier runs; the runs are only read."""
    from harness.context import runs_alike
    from harness.detection import Question, plan_detections
    from harness.machine.facts import collect_facts
    from harness.record.listing import runs_folder

    runs = list(runs_alike(loaded.sha256, collect_facts(root), runs_folder(runs_dir)))
    return plan_detections(loaded.profile, plan.loads, runs, Question(*question))


def _detection_lines(detection: Detection, runs_dir: Path | None) -> Iterator[str]:
    from harness.record.listing import runs_folder

    yield f"to detect a change of {detection.change_percent:g} %:"
    if detection.reason:
        yield f"  {detection.reason} (searched: {runs_folder(runs_dir)})"
        return
    yield f"  spread as in run {detection.run_id}"
    yield from (f"  warning: {concern}" for concern in detection.concerns)
    for load in detection.loads:
        yield f"  {load.name:<24} {load.sentence or load.reason}"


def plan_document(name: str, plan: Plan, available_bytes: int) -> dict[str, Any]:
    """The plan as plain JSON."""
    return {
        "profile": name,
        "lanes": list(plan.cpus),
        "rounds": plan.rounds,
        "trials": plan.trials,
        "soaks": sum(not step.is_trial for step in plan.steps),
        "estimated_seconds": round(plan.estimated_seconds(), 1),
        "memory_bytes": plan.memory_bytes,
        "available_bytes": available_bytes,
        "loads": [
            {
                "name": load.name,
                "workload": load.workload,
                "pattern": load.pattern,
                "trials": load.trials,
                "trial_seconds": load.trial_seconds if load.trials else None,
                "soak_seconds": load.soak_seconds,
                "memory_bytes_per_lane": load.memory_bytes,
                "available": load.available,
                "reason": load.reason,
            }
            for load in plan.loads
        ],
        "order": [[step.round, plan.load(step.load).name] for step in plan.steps],
    }


def _plan_lines(plan: Plan, document: dict[str, Any]) -> Iterator[str]:
    from harness.units import duration, size

    yield (
        f"{document['profile']}: {plan.trials} trials in {plan.rounds} rounds, "
        f"{document['soaks']} soak{'' if document['soaks'] == 1 else 's'}, "
        f"on {plan.lanes} lane{'' if plan.lanes == 1 else 's'}"
    )
    yield f"estimated duration: {duration(plan.estimated_seconds())}"
    yield (
        f"memory needed: {size(plan.memory_bytes)} of {size(document['available_bytes'])} available"
    )
    for load in plan.loads:
        yield f"  {load.name:<24} {_load_words(load)}"
    for round_ in range(1, plan.rounds + 1):
        names = [plan.load(step.load).name for step in plan.steps if step.round == round_]
        yield f"  round {round_}: {', '.join(names)}"


def _load_words(load: Any) -> str:
    from harness.units import duration

    if not load.available:
        return f"not available: {load.reason}"
    if load.companion:
        return "runs beside others"
    if load.trials:
        return f"{load.trials} trials of {duration(load.trial_seconds)}, {load.pattern}"
    return f"soak of {duration(load.soak_seconds)}, {load.pattern}"


def schema() -> None:
    """Print the JSON Schema of profiles, for editors."""
    from harness.profile.schema import profile_schema

    say_json(profile_schema())


def workloads(as_json: AsJson = False) -> None:
    """List the workloads: what each stresses, its unit, its check, whether it can run here."""
    from workloads.registry import load, names

    found = [_workload_document(load(name)) for name in names()]
    if as_json:
        say_json(found)
        return
    from harness.cli.tables import workload_table

    workload_table(found)


def _golden_text(workload: Workload) -> str:
    """Where the right digest comes from, for every choice of parameters."""
    if workload.needs_permission:
        return "told by the profile, agreed by the lanes where it tells no output"
    if workload.always_shipped:
        return "shipped"
    if workload.shipped_golden:
        return "shipped for the default parameters, agreed by the lanes for others"
    return "agreed by the lanes"


def _workload_document(workload: Workload) -> dict[str, Any]:
    availability = workload.availability()
    return {
        "name": workload.name,
        "family": workload.family,
        "version": workload.version,
        "unit": workload.unit,
        "purpose": workload.purpose,
        "check": workload.check,
        "golden": _golden_text(workload),
        "basis": workload.basis,
        "better": "lower" if workload.lower_is_better else "higher",
        "available": availability.available,
        "reason": availability.reason or None,
        "needs_permission": workload.needs_permission,
        "parameters": {
            key: {
                "default": list(spec.default) if isinstance(spec.default, tuple) else spec.default,
                "unit": spec.unit,
                "low": spec.low,
                "high": spec.high,
                "choices": list(spec.choices),
                "purpose": spec.purpose,
            }
            for key, spec in workload.parameters.items()
        },
    }
