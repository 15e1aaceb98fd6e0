"""Before the first load: what the machine is, what will be done, and whether it may begin."""

from __future__ import annotations

import platform
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness import __version__
from harness.clock import Clock
from harness.errors import RefusedStart
from harness.plan import Plan, make_plan

if TYPE_CHECKING:
    from harness.lanes.messages import Sabotage
    from harness.machine.warnings import MachineWarning
    from harness.profile.loader import LoadedProfile
    from harness.profile.model import Profile, Safety
    from harness.sensors.guard import GuardLimit
    from harness.sensors.sampler import SamplerConfig

_LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "zstandard", "psutil", "pydantic")


@dataclass(frozen=True)
class RunOptions:
    """What the command line says about a run, beside the profile."""

    runs_dir: Path
    sysfs_root: Path = Path("/")
    settings: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    allow_commands: bool = False
    accept_no_temperature: bool = False
    select: str = ""
    recalibrate: bool = False
    #: JUnit cases of undecided criteria pass; kept in the record, so that reports stay the same.
    allow_inconclusive: bool = False
    argv: tuple[str, ...] = ()
    cold: bool | None = None
    #: Bits to flip on purpose, by lane: proof of the detectors in a whole run.
    sabotage: Mapping[int, Sabotage] = field(default_factory=dict)


@dataclass(frozen=True)
class Machine:
    """What the run needs to know of the machine."""

    facts: Mapping[str, Any]
    boot_id: str
    cpus: tuple[int | None, ...]
    warnings: tuple[MachineWarning, ...]
    available_bytes: int


def look_at_machine(options: RunOptions) -> Machine:
    """Facts, CPUs this process may use, free memory and what a careful person would warn of."""
    from harness.machine.affinity import allowed_cpus
    from harness.machine.boot import boot_id
    from harness.machine.facts import collect_facts
    from harness.machine.memory import available_memory_bytes
    from harness.machine.warnings import pre_run_warnings

    root = options.sysfs_root
    cpus = allowed_cpus()
    return Machine(
        facts=collect_facts(root),
        boot_id=boot_id(root),
        cpus=cpus,
        warnings=pre_run_warnings(root, storage=options.runs_dir, cpus=cpus),
        available_bytes=available_memory_bytes(root),
    )


def plan_run(
    profile: Profile,
    machine: Machine,
    options: RunOptions,
    *,
    boot: int = 1,
    memory: Memory | None = None,
) -> Plan:
    """The plan for one boot; refused when it needs more memory than there is."""
    from harness.units import size

    remembered = memory or Memory()
    plan = make_plan(
        profile,
        machine.cpus,
        available_bytes=machine.available_bytes,
        allow_commands=options.allow_commands,
        select=options.select,
        boot=boot,
        frozen_passes=remembered.passes,
        known_goldens=remembered.goldens,
    )
    if plan.memory_bytes > machine.available_bytes:
        raise RefusedStart(
            f"{profile.name} needs {size(plan.memory_bytes)} for {plan.lanes} lanes, "
            f"{size(machine.available_bytes)} are available: close programs, "
            "use fewer CPUs (taskset), or smaller parameters"
        )
    return plan


@dataclass(frozen=True)
class Memory:
    """What an earlier run of the same profile on the same machine has settled."""

    passes: Mapping[str, Mapping[int, int]] = field(default_factory=dict)
    goldens: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    run_id: str = ""


def guard_limits(profile: Profile) -> tuple[GuardLimit, ...]:
    """The profile's safety section as limits for the guard."""
    from harness.sensors.guard import GuardLimit

    safety = profile.safety
    limits = list(_cpu_temperature_limit(safety))
    for index, limit in enumerate(safety.limits):
        limits.append(
            GuardLimit(
                name=f"safety.limits[{index}]",
                role=limit.role,
                unit=limit.unit,
                above=limit.stop_above,
                below=limit.stop_below,
                whose=limit.whose,
                stale_after_seconds=safety.stale_after_seconds,
            )
        )
    return tuple(limits)


def _cpu_temperature_limit(safety: Safety) -> Iterator[GuardLimit]:
    """Where the guard warns and stops; a mere warning is a limit too, one that stops nothing."""
    from harness.sensors.guard import GuardLimit

    warn, stop = safety.warn_above_celsius, safety.stop_above_celsius
    if warn is None and stop is None:
        return
    yield GuardLimit(
        name=f"safety.{'warn' if stop is None else 'stop'}_above_celsius",
        role="cpu_temperature",
        unit="°C",
        above=stop,
        warn_above=warn,
        whose=safety.whose_limit,
        stale_after_seconds=safety.stale_after_seconds,
    )


def sampler_config(
    profile: Profile, options: RunOptions, machine: Machine, origin_ns: int
) -> SamplerConfig:
    """How the sampler shall work for this run."""
    from harness.profile.external import external_commands
    from harness.sensors.sampler import SamplerConfig

    sampling = profile.sampling
    return SamplerConfig(
        root=str(options.sysfs_root),
        interval_seconds=sampling.interval_seconds,
        run_started_ns=origin_ns,
        limits=guard_limits(profile),
        external=external_commands(sampling),
        allow_external=options.allow_commands,
        role_overrides=tuple(sampling.roles.items()),
        cpus=tuple(cpu for cpu in machine.cpus if cpu is not None),
        clock_probe=sampling.clock_during_soak,
        accept_blind=options.accept_no_temperature,
    )


def versions() -> dict[str, str]:
    """Versions of everything that a digest or a speed may depend on."""
    import sqlite3

    found = {"rigproof": __version__, "python": platform.python_version()}
    found["sqlite"] = sqlite3.sqlite_version
    for name in _LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def utc_offset_minutes(clock: Clock) -> int:
    """The local time zone's offset now, kept so that a report can be rendered anywhere alike."""
    import time

    local = time.localtime(clock.wall_ns() // 1_000_000_000)
    return local.tm_gmtoff // 60


def command_line() -> tuple[str, ...]:
    """This process's arguments, the program's own path left out."""
    return ("rigproof", *sys.argv[1:])


def load_hot(loaded: LoadedProfile) -> tuple[str, ...]:
    """Workloads that the template process shall warm for this profile."""
    mixed = {name for _, name in loaded.profile.mixed_names()}
    named = {load.name: load.workload for load in loaded.profile.loads}
    wanted = {load.workload for load in loaded.profile.loads}
    return tuple(sorted(wanted | {named.get(name, name) for name in mixed}))
