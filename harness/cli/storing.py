"""`rigproof runs` and `rigproof export RUN`: what is kept, and how to get it out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import AsJson, RunArgument, RunsDir, SysfsRoot, kept_runs
from harness.cli.plain import say, say_json, visible

if TYPE_CHECKING:
    from harness.record.listing import RunLine
    from harness.results import RunData


def runs(runs_dir: RunsDir = None, root: SysfsRoot = None, as_json: AsJson = False) -> None:
    """List the runs, oldest first. Runs that ended without their end are closed and reported."""
    from harness.record.listing import list_runs

    folder = kept_runs(runs_dir, root)
    lines = list_runs(folder)
    if as_json:
        document = {"runs_dir": str(folder), "runs": [_as_json(line) for line in lines]}
        say_json(document)
        return
    say(f"Runs in {folder}" if lines else f"No runs in {folder}")
    for text in _table(lines):
        say(text)


def export(
    run: RunArgument,
    to: Annotated[
        Path | None, typer.Option("--to", help="Folder for the files; default: RUN-csv here.")
    ] = None,
    runs_dir: RunsDir = None,
    as_json: AsJson = False,
) -> None:
    """Write a run's trials, lanes, samples, events and failures as CSV files."""
    from harness.record.export import export_run
    from harness.record.listing import resolve_run

    folder = resolve_run(kept_runs(runs_dir), run)
    place = to or Path(f"{folder.resolve().name}-csv")
    written = export_run(folder, place, disturbances)
    if as_json:
        say_json({"files": [str(path) for path in written]})
        return
    for path in written:
        say(str(path))


def disturbances(data: RunData) -> dict[int, tuple[str, ...]]:
    """Everything that disturbed each trial, by its number, as the report shows it."""
    from harness.judgement.causes import Causes

    causes = Causes(data)
    return {trial.number: causes.of(trial) for trial in data.trials}


def _as_json(line: RunLine) -> dict[str, Any]:
    return {
        "run_id": line.run_id,
        "folder": str(line.folder),
        "profile": line.profile_name or None,
        "started": line.started_utc or None,
        "ended": line.ended_utc,
        "ending": line.ending,
        "verdict": line.verdict,
        "duration_seconds": line.duration_seconds,
        "boots": line.boots,
        "trials": line.trials,
        "failures": line.failures,
        "size_bytes": line.size_bytes,
        "problem": line.problem or None,
    }


def _table(lines: Sequence[RunLine]) -> Iterator[str]:
    """A line a run, in aligned columns; one that cannot be read says why instead."""
    from harness.cli.tables import lines_of

    readable = [_cells(line) for line in lines if line.profile_name or not line.problem]
    rows = iter(list(lines_of(readable)) if readable else [])
    for line in lines:
        if line.profile_name or not line.problem:
            yield visible("  " + next(rows) + (f"  PROBLEM {line.problem}" if line.problem else ""))
        else:
            yield f"  {visible(line.run_id)}  PROBLEM  {visible(line.problem)}"


def _cells(line: RunLine) -> tuple[str, ...]:
    from harness.units import duration, size
    from reports.wording import plural

    return (
        visible(line.run_id),
        line.verdict or (line.ending.value if line.ending else "going on"),
        "-" if line.duration_seconds is None else duration(line.duration_seconds),
        f"{plural(line.trials, 'trial')}, {plural(line.failures, 'failure')}",
        size(line.size_bytes),
    )
