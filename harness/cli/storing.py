"""`rigproof runs` and `rigproof export RUN`: what is kept, and how to get it out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import AsJson, RunArgument, RunsDir, SysfsRoot, kept_runs
from harness.cli.plain import say, say_json, visible

if TYPE_CHECKING:
    from harness.record.listing import RunLine


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
    for line in lines:
        say(_as_text(line))


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
    written = export_run(folder, to or Path(f"{folder.resolve().name}-csv"))
    if as_json:
        say_json({"files": [str(path) for path in written]})
        return
    for path in written:
        say(str(path))


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


def _as_text(line: RunLine) -> str:
    from harness.units import duration, size
    from reports.wording import plural

    if line.problem and not line.profile_name:
        return f"  {visible(line.run_id)}  PROBLEM  {visible(line.problem)}"
    state = line.verdict or (line.ending.value if line.ending else "going on")
    length = "-" if line.duration_seconds is None else duration(line.duration_seconds)
    counts = f"{plural(line.trials, 'trial')}, {plural(line.failures, 'failure')}"
    text = f"{line.run_id}  {state:<12}  {length:>12}  {counts}  {size(line.size_bytes)}"
    return visible("  " + text + (f"  PROBLEM {line.problem}" if line.problem else ""))
