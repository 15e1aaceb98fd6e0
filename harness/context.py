"""What a run takes over from earlier ones, copied into its record when it starts.

The record alone must reproduce every judgement, so whatever a judgement needs from elsewhere is
looked up here once: the previous run of the same profile on the same machine (its passes per
trial and its goldens are reused, so that both runs do the same work), the means of all such runs
by boot (they measure the spread between boots), and the baseline of a re-qualification.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING, Any

from harness.errors import RecordError
from harness.outcome import Ending
from harness.results import LoadInfo, RunData
from harness.startup import Machine, Memory, RunOptions

if TYPE_CHECKING:
    from harness.profile.loader import LoadedProfile

#: Earlier runs beyond this many tell nothing new about the spread between boots.
MOST_EARLIER = 30


@dataclass(frozen=True)
class RunContext:
    """What was found; `as_mapping` is what the record's context holds.

    `earlier` has one entry a boot: run_id, boot_id, and `means`, each load's mean value as
    comparisons measure it. `baseline` is the summary that `harness.judgement.baseline` makes.
    """

    memory: Memory = field(default_factory=Memory)
    previous_run: str = ""
    earlier: tuple[Mapping[str, Any], ...] = ()
    baseline: Mapping[str, Any] | None = None
    #: The plan of a re-qualification, as `harness.judgement.requalify` makes it.
    requalification: Mapping[str, Any] | None = None
    #: Which look at the baseline this run takes; its error is spent over them.
    looks: int = 1

    def as_mapping(self) -> dict[str, Any]:
        """Plain JSON."""
        found: dict[str, Any] = {
            "previous_run": self.previous_run or None,
            "work_taken_from": self.memory.run_id or None,
            "earlier_runs": list(self.earlier),
        }
        if self.baseline is not None:
            found["baseline"] = dict(self.baseline)
            found["looks"] = self.looks
        if self.requalification is not None:
            found["requalification"] = dict(self.requalification)
        return found


def gather_context(
    loaded: LoadedProfile,
    machine: Machine,
    options: RunOptions,
    baseline: Sequence[Path] = (),
    *,
    one_boot: bool = False,
) -> RunContext:
    """Look through the runs folder, newest first, and at the baseline where one is given."""
    alike = list(runs_alike(loaded.sha256, machine.facts, options.runs_dir))
    found = RunContext(
        memory=memory_of(alike[0]) if alike else Memory(),
        previous_run=alike[0].run_id if alike else "",
        earlier=identical_means(alike, machine.facts, options.settings),
    )
    if not baseline:
        return found
    now = _Now(options.runs_dir, machine.facts, options.settings)
    return _with_baseline(found, baseline, one_boot, now)


@dataclass(frozen=True)
class _Now:
    """Where runs that were looks may lie, and the facts and settings that a new one begins with."""

    runs_dir: Path
    facts: Mapping[str, Any]
    settings: Mapping[str, Any]


def _with_baseline(
    found: RunContext, baseline: Sequence[Path], one_boot: bool, now: _Now
) -> RunContext:
    """The baseline's trials and golden digests, which look at it this is, and the plan to judge."""
    from harness.judgement.baseline import next_look, summarise_baseline
    from harness.judgement.requalify import plan_again
    from harness.record.reader import read_run

    runs = [read_run(folder) for folder in baseline]
    judged = runs_judged(now.runs_dir, {run.run_id for run in runs})
    looks = next_look(runs, judged, now.facts, now.settings)
    return replace(
        found,
        memory=memory_of(runs[-1]),
        baseline=summarise_baseline(runs),
        requalification=plan_again(runs, one_boot=one_boot, looks=looks).as_json(),
        looks=looks,
    )


def identical_means(
    runs: Sequence[RunData], facts: Mapping[str, Any], settings: Mapping[str, Any]
) -> tuple[Mapping[str, Any], ...]:
    """Each boot's mean of every load in those of `runs` that knew the same facts and settings:
    what they differ by is the spread between boots, and no effect of tuning."""
    from harness.machine.compare import changed_facts

    return tuple(
        boot
        for run in runs
        if dict(run.settings) == dict(settings) and not changed_facts(run.facts, facts)
        for boot in _means(run)
    )


def runs_alike(profile_sha256: str, facts: Mapping[str, Any], runs_dir: Path) -> Iterator[RunData]:
    """Finished runs of the same profile on the same machine with the same lanes, newest first."""
    from harness.judgement.wholeness import damage_of
    from harness.record.listing import run_folders
    from harness.record.reader import read_outline, read_run

    identity = _identity(facts)
    found = 0
    for folder in reversed(run_folders(runs_dir)):
        if found >= MOST_EARLIER:
            return
        try:
            seen = read_outline(folder)
            if seen.ending is not Ending.COMPLETED or seen.profile_sha256 != profile_sha256:
                continue
            run = read_run(folder)
        except RecordError:
            continue  # `rigproof runs` names what is wrong with it
        same_cpus = run.facts.get("allowed_cpus") == facts.get("allowed_cpus")
        if same_cpus and _identity(run.facts) == identity and not damage_of(run):
            found += 1
            yield run


def runs_judged(runs_dir: Path, baseline: Set[str]) -> Iterator[RunData]:
    """Every readable run that was judged against one of `baseline` (run ids), however it ended.

    A run that was stopped, or stopped itself for safety, has a report all the same: whoever reads
    it has looked. One that goes on after a restart has not been judged.
    """
    from harness.judgement.baseline import runs_named
    from harness.record.listing import run_folders
    from harness.record.reader import read_outline, read_run

    for folder in run_folders(runs_dir):
        with suppress(RecordError):  # `rigproof runs` names what is wrong with it
            seen = read_outline(folder)
            judged = seen.ending is not Ending.AWAITING_BOOT
            if judged and baseline & set(runs_named(seen.context)):
                yield read_run(folder)


def _identity(facts: Mapping[str, Any]) -> object:
    identity = facts.get("identity")
    return identity.get("key") if isinstance(identity, Mapping) else identity


def memory_of(run: RunData) -> Memory:
    """Passes per trial and goldens that a run has settled; no golden of a run with failures.

    What another version of a workload settled is forgotten: its passes did other work.
    """
    loads = [load for load in run.loads if _is_todays(load)]
    passes = {load.name: dict(load.passes) for load in loads if load.passes}
    goldens = {
        load.name: (load.code_path, int(load.golden, 16))
        for load in loads
        if load.golden and load.code_path and not run.failures
    }
    return Memory(passes, goldens, run.run_id)


def _is_todays(load: LoadInfo) -> bool:
    from workloads import registry

    known = load.workload in registry.names()
    return known and registry.load(load.workload).version == load.workload_version


def _means(run: RunData) -> Iterator[dict[str, Any]]:
    """Each boot's mean value of every load, as comparisons measure it."""
    from harness.judgement.throughput import trial_value

    loads = {load.number: load for load in run.loads}
    for boot in run.boots:
        values: dict[str, list[float]] = {}
        for trial in run.trials:
            value = trial_value(trial, loads[trial.load]) if trial.boot == boot.number else None
            if value is not None:
                values.setdefault(loads[trial.load].name, []).append(value)
        yield {
            "run_id": run.run_id,
            "boot_id": boot.boot_id,
            "means": {name: fmean(found) for name, found in values.items()},
        }
