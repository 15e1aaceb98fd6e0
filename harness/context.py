"""What a run takes over from earlier ones, copied into its record when it starts.

The record alone must reproduce every judgement, so whatever a judgement needs from elsewhere is
looked up here once: the previous run of the same profile on the same machine (its passes per
trial and its goldens are reused, so that both runs do the same work), the means of all such runs
by boot (they measure the spread between boots), and the baseline of a re-qualification.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING, Any

from harness.errors import RecordError
from harness.outcome import Ending
from harness.results import RunData
from harness.startup import Machine, Memory, RunOptions

if TYPE_CHECKING:
    from harness.profile.loader import LoadedProfile

#: Earlier runs beyond this many tell nothing new about the spread between boots.
MOST_EARLIER = 30


@dataclass(frozen=True)
class RunContext:
    """What was found; `as_mapping` is what the record's context holds.

    `earlier` has one entry a run: run_id, boot_id, and `means`, each load's mean rate (units of
    work per second). `baseline` is the summary that `harness.judgement.baseline` makes.
    """

    memory: Memory = field(default_factory=Memory)
    previous_run: str = ""
    earlier: tuple[Mapping[str, Any], ...] = ()
    baseline: Mapping[str, Any] | None = None

    def as_mapping(self) -> dict[str, Any]:
        """Plain JSON."""
        found: dict[str, Any] = {
            "previous_run": self.previous_run or None,
            "work_taken_from": self.memory.run_id or None,
            "earlier_runs": list(self.earlier),
        }
        if self.baseline is not None:
            found["baseline"] = dict(self.baseline)
        return found


def gather_context(
    loaded: LoadedProfile, machine: Machine, options: RunOptions, baseline: Path | None
) -> RunContext:
    """Look through the runs folder, newest first, and at the baseline where one is given."""
    alike = list(_alike(loaded.sha256, machine, options.runs_dir))
    summary = None
    source = alike[0] if alike else None
    if baseline is not None:
        from harness.judgement.baseline import summarise_baseline
        from harness.record.reader import read_run

        source = read_run(baseline)
        summary = summarise_baseline([source])
    return RunContext(
        memory=Memory() if source is None else memory_of(source),
        previous_run=alike[0].run_id if alike else "",
        earlier=tuple(_means(run) for run in alike),
        baseline=summary,
    )


def _alike(profile_sha256: str, machine: Machine, runs_dir: Path) -> Iterator[RunData]:
    """Finished runs of the same profile on the same machine with the same lanes, newest first."""
    from harness.record.listing import list_runs
    from harness.record.reader import read_run

    identity = _identity(machine.facts)
    found = 0
    for line in sorted(list_runs(runs_dir), key=lambda line: line.run_id, reverse=True):
        if line.problem or line.ending is not Ending.COMPLETED or found >= MOST_EARLIER:
            continue
        try:
            run = read_run(line.folder)
        except RecordError:
            continue  # `rigproof runs` names what is wrong with it
        if run.profile_sha256 == profile_sha256 and _identity(run.facts) == identity:
            found += 1
            yield run


def _identity(facts: Mapping[str, Any]) -> object:
    identity = facts.get("identity")
    return identity.get("key") if isinstance(identity, Mapping) else identity


def memory_of(run: RunData) -> Memory:
    """Passes per trial and goldens that a run has settled."""
    passes = {load.name: dict(load.passes) for load in run.loads if load.passes}
    goldens = {
        load.name: (load.code_path, int(load.golden, 16))
        for load in run.loads
        if load.golden and load.code_path
    }
    return Memory(passes, goldens, run.run_id)


def _means(run: RunData) -> dict[str, Any]:
    rates: dict[str, list[float]] = {}
    names = {load.number: load.name for load in run.loads}
    for trial in run.trials:
        if trial.valid:
            rates.setdefault(names[trial.load], []).append(trial.rate)
    return {
        "run_id": run.run_id,
        "boot_id": run.boots[0].boot_id if run.boots else "",
        "means": {name: fmean(values) for name, values in rates.items()},
    }
