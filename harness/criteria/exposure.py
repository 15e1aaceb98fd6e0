"""How long each load was under way, on the machine and on each core, and what failed in it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from harness.criteria.attribution import failures_of
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.results import Failure

_SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True)
class Exposure:
    """One load's time in machine-hours and in hours of each core, never added up over cores."""

    load: str
    machine_hours: float
    passes: int
    failures: int
    #: Name of the core -> (hours, failures).
    cores: dict[str, tuple[float, int]] = field(default_factory=dict)


def exposure_of(load: LoadEvidence, evidence: Evidence) -> Exposure:
    """Trials and soaks together: every verified pass counts, whatever it was run for."""
    seconds = sum(trial.ended_seconds - trial.started_seconds for trial in load.trials)
    failures = failures_of(load.info, evidence.data)
    return Exposure(
        load=load.name,
        machine_hours=(seconds + load.soak_seconds) / _SECONDS_PER_HOUR,
        passes=load.verified,
        failures=len(failures),
        cores=_cores(load, failures),
    )


def _cores(load: LoadEvidence, failures: Sequence[Failure]) -> dict[str, tuple[float, int]]:
    """A failure without a place (the machine restarted) may be any core's: it counts on each."""
    hours: dict[str, float] = defaultdict(float)
    failed: dict[str, int] = defaultdict(int)
    lanes = [lane for trial in load.trials for lane in trial.lanes]
    lanes += [lane for soak in load.soaks for lane in soak.lanes]
    for lane in lanes:
        hours[_core_name(lane.cpu, lane.lane)] += lane.seconds / _SECONDS_PER_HOUR
    for item in failures:
        placed = item.core is not None or item.lane is not None
        for name in (_core_name(item.core, item.lane),) if placed else tuple(hours):
            failed[name] += 1
    return {name: (hours[name], failed[name]) for name in hours}


def _core_name(cpu: int | None, lane: int | None) -> str:
    return f"lane {lane}" if cpu is None else f"core {cpu}"
