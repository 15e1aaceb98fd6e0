"""One side of a comparison: each load's trials by boot, and what decides whether sides are alike.

A side is made from runs, from a baseline stored in a record, or from values typed in by hand.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from statistics import median
from typing import Any

from harness.criteria.evidence import LoadEvidence
from harness.judgement.causes import Causes
from harness.judgement.loads import judge_loads
from harness.judgement.throughput import trial_value, value_unit
from harness.machine.fact_values import is_unknown
from harness.profile.loader import parse_profile
from harness.profile.model import Profile
from harness.results import RunData
from harness.statistics.outliers import RejectionPolicy

#: Values of one load, boot by boot.
Boots = tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class SideLoad:
    """One load's trials on one side, in `unit`.

    `boots` holds the trials kept, `all_boots` every valid one; a boot has the same place in both.
    `alike` names what must be equal for the values to mean the same (workload, version,
    parameters, pattern, basis); empty where nothing is known, as for typed values.
    """

    name: str
    unit: str
    lower_is_better: bool
    boots: Boots
    all_boots: Boots
    rejected: int = 0
    lanes: int | None = None
    code_path: str = ""
    #: Why no interval holds (drift, too many rejections); only told of a side of one boot.
    doubt: str = ""
    alike: Mapping[str, Any] = field(default_factory=dict)
    #: What a trial took, None where that is not known.
    trial_seconds: float | None = None
    #: Why the runs of this side did not do the same work, so that their values make no mean.
    unlike: str = ""


@dataclass(frozen=True)
class Side:
    """Everything one side of a comparison contributes; `boot_ids` are () when not known."""

    source: str
    loads: tuple[SideLoad, ...]
    run_ids: tuple[str, ...] = ()
    boot_ids: tuple[str, ...] = ()
    machine: str = ""
    profile_sha256: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    versions: Mapping[str, Any] = field(default_factory=dict)
    #: What a reader must know of these runs: failures, an early end.
    concerns: tuple[str, ...] = ()
    #: load name -> means of earlier identical runs, one a boot.
    earlier: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    #: load name -> why it has no trial on this side; a soak is no load to compare.
    untimed: Mapping[str, str] = field(default_factory=dict)
    #: False for typed values without a boot column: one boot is then all that can be claimed.
    boots_told: bool = True

    def load(self, name: str) -> SideLoad | None:
        """The load called `name`, or None."""
        return next((load for load in self.loads if load.name == name), None)


def side_of(runs: Sequence[RunData]) -> Side:
    """The side that `runs` (at least one) make together; runs of one boot share that boot."""
    if not runs:
        raise ValueError("no run: a side needs at least one")
    gathered: dict[str, list[_Part]] = {}
    profiles: dict[str, Profile] = {}
    untimed: dict[str, str] = {}
    for run in runs:
        if run.profile_text not in profiles:
            profiles[run.profile_text] = _profile_of(run)
        for evidence in _judged(run, profiles[run.profile_text]):
            if evidence.trials:
                gathered.setdefault(evidence.name, []).append(_Part(run, evidence))
            elif evidence.info.trials:
                untimed[evidence.name] = evidence.result.reason
    return Side(
        source=", ".join(run.run_id for run in runs),
        loads=tuple(_merged(parts) for parts in gathered.values()),
        run_ids=tuple(run.run_id for run in runs),
        boot_ids=tuple(dict.fromkeys(boot.boot_id for run in runs for boot in run.boots)),
        machine=_common(machine_of(run.facts) for run in runs),
        profile_sha256=tuple(dict.fromkeys(run.profile_sha256 for run in runs)),
        facts=_agreed([run.facts for run in runs]),
        settings=_agreed([run.settings for run in runs]),
        versions=_agreed([run.versions for run in runs]),
        concerns=tuple(concern for run in runs for concern in _concerns(run)),
        earlier=_earlier(runs),
        untimed={name: why for name, why in untimed.items() if name not in gathered},
    )


def _profile_of(run: RunData) -> Profile:
    return parse_profile(run.profile_text, run.profile_name, registry=None)


def _judged(run: RunData, profile: Profile) -> tuple[LoadEvidence, ...]:
    policy = RejectionPolicy(blind=profile.statistics.outliers == "blind")
    return judge_loads(run, Causes(run), profile.confidence, policy)


@dataclass(frozen=True)
class _Part:
    run: RunData
    evidence: LoadEvidence


def _merged(parts: Sequence[_Part]) -> SideLoad:
    first = parts[0].evidence.info
    kept: dict[str, list[float]] = defaultdict(list)
    entire: dict[str, list[float]] = defaultdict(list)
    for part in parts:
        _enter(part, kept, entire)
    order = list(entire)
    lanes = {len(trial.lanes) for part in parts for trial in part.evidence.trials}
    return SideLoad(
        name=first.name,
        unit=value_unit(first),
        lower_is_better=first.lower_is_better,
        boots=tuple(tuple(kept[boot]) for boot in order),
        all_boots=tuple(tuple(entire[boot]) for boot in order),
        rejected=sum(part.evidence.result.rejected for part in parts),
        lanes=max(lanes, default=None),
        code_path=_common(part.evidence.info.code_path for part in parts),
        doubt=_doubt(parts) if len(order) == 1 else "",
        alike=_work_of(parts[0]),
        unlike=_why_unlike(parts),
        trial_seconds=median(
            trial.ended_seconds - trial.started_seconds
            for part in parts
            for trial in part.evidence.trials
        ),
    )


def _doubt(parts: Sequence[_Part]) -> str:
    """Why one boot's trials hold no mean; over several boots it is scatter like any other."""
    for part in parts:
        statistics = part.evidence.statistics
        excessive = statistics is not None and statistics.low is None and len(statistics.kept) > 1
        if statistics is not None and (excessive or statistics.steadiness.steady is False):
            return statistics.reason or statistics.steadiness.why
    return ""


def _enter(part: _Part, kept: dict[str, list[float]], entire: dict[str, list[float]]) -> None:
    """Sort one run's trials of one load into boots; a boot's own id is what makes it one."""
    info, statistics = part.evidence.info, part.evidence.statistics
    chosen = set(statistics.kept if statistics is not None else ())
    ids = {boot.number: boot.boot_id for boot in part.run.boots}
    for index, trial in enumerate(part.evidence.trials):
        value = trial_value(trial, info)
        if value is None:
            continue
        boot = ids.get(trial.boot) or f"{part.run.run_id}/{trial.boot}"
        entire[boot].append(value)
        if index in chosen:
            kept[boot].append(value)


def _why_unlike(parts: Sequence[_Part]) -> str:
    """What the runs of one side differ by in the work they did, "" where they do not."""
    first, own = parts[0], _of_load(parts[0])
    for part in parts[1:]:
        other = _of_load(part)
        for name, value in own.items():
            if other[name] != value:
                return (
                    f"not like for like within one side: {name} {value} in {first.run.run_id}, "
                    f"{other[name]} in {part.run.run_id}"
                )
    return ""


def _of_load(part: _Part) -> dict[str, Any]:
    info = part.evidence.info
    better = "lower" if info.lower_is_better else "higher"
    return {"unit": value_unit(info), "better": better, **_work_of(part)}


def _work_of(part: _Part) -> dict[str, Any]:
    info = part.evidence.info
    return {
        "workload": info.workload,
        "workload version": info.workload_version,
        "parameters": dict(info.parameters),
        "pattern": info.pattern,
        "basis": info.basis,
    }


def _common(texts: Iterable[str]) -> str:
    """The one text that all agree on, or all of them."""
    return " / ".join(dict.fromkeys(texts))


def machine_of(facts: Mapping[str, Any]) -> str:
    """The stable identity of the machine, "" where the facts hold none."""
    identity = facts.get("identity", "")
    if isinstance(identity, Mapping):
        identity = identity.get("key", "")
    return str(identity or "")


def _agreed(mappings: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What the runs of one side agree on; where they differ, all values in order.

    Groups are gone through fact by fact: a boot id of its own must not make the whole kernel of
    each boot look like another.
    """
    names = dict.fromkeys(name for mapping in mappings for name in mapping)
    found: dict[str, Any] = {}
    for name in names:
        told = [mapping.get(name) for mapping in mappings]
        groups = [value for value in told if isinstance(value, Mapping) and not is_unknown(value)]
        if len(groups) == len(told):
            found[name] = _agreed(groups)
            continue
        values = [value for place, value in enumerate(told) if value not in told[:place]]
        found[name] = values[0] if len(values) == 1 else values
    return found


def _concerns(run: RunData) -> tuple[str, ...]:
    found = []
    if run.failures:
        found.append(
            f"{run.run_id} had {len(run.failures)} failure(s) under load: the speed of a machine "
            "that fails proves nothing"
        )
    if run.ending.value != "completed":
        found.append(f"{run.run_id} did not run to its end: {run.ending.value}")
    return tuple(found)


def _earlier(runs: Sequence[RunData]) -> dict[str, tuple[float, ...]]:
    """Mean of every earlier boot by load, as the newest of these runs has them in its context."""
    by_boot: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for entry in runs[-1].context.get("earlier_runs") or ():
        for name, mean in (entry.get("means") or {}).items():
            by_boot[name][entry.get("boot_id") or entry.get("run_id", "")].append(mean)
    return {
        name: tuple(sum(means) / len(means) for means in boots.values())
        for name, boots in by_boot.items()
    }


def side_as_json(side: Side) -> dict[str, Any]:
    """Plain JSON of a side, for the record of a later run."""
    return asdict(side)


def side_from_json(stored: Mapping[str, Any]) -> Side:
    """The side that :func:`side_as_json` stored. Raises KeyError or TypeError when damaged."""
    loads = tuple(
        SideLoad(**{**load, "boots": _boots(load["boots"]), "all_boots": _boots(load["all_boots"])})
        for load in stored["loads"]
    )
    texts = {
        name: tuple(stored[name]) for name in ("run_ids", "boot_ids", "profile_sha256", "concerns")
    }
    earlier = {name: tuple(means) for name, means in stored["earlier"].items()}
    return Side(**{**stored, "loads": loads, "earlier": earlier, **texts})


def _boots(stored: Iterable[Iterable[float]]) -> Boots:
    return tuple(tuple(boot) for boot in stored)
