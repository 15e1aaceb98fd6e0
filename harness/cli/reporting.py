"""`report` and `judge`: from a record to reports, again or under other criteria."""

from __future__ import annotations

from typing import Annotated

import typer

from harness.cli.options import AsJson, RunArgument, RunsDir, kept_runs
from harness.cli.plain import say, say_json, say_json_text


def report(
    run_name: RunArgument,
    runs_dir: RunsDir = None,
    verify: Annotated[
        bool,
        typer.Option(
            "--verify",
            help="Change nothing: check digests, hash chain and database for accidental changes.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Write a run's reports again, byte for byte, from its record alone."""
    from harness.finishing import conclude
    from harness.record.listing import resolve_run, runs_folder

    if verify:  # changes nothing, so no lost run is closed either
        _verify(str(resolve_run(runs_folder(runs_dir), run_name)), as_json)
        return
    folder = resolve_run(kept_runs(runs_dir), run_name)
    concluded = conclude(folder)
    if as_json:
        say_json_text((folder / "summary.json").read_text("utf-8"))
        return
    for path in concluded.files:
        say(str(path))


def _verify(folder: str, as_json: bool) -> None:
    from pathlib import Path

    from harness.outcome import ExitCode
    from harness.record.verify import verify_run

    problems = verify_run(Path(folder))
    if as_json:
        found = [{"file": item.file, "problem": item.text} for item in problems]
        say_json({"folder": folder, "problems": found})
    elif not problems:
        say(
            "no accidental change found: digests, hash chain and database agree. "
            "This is no signature: it does not show who made the record."
        )
    for item in () if as_json else problems:
        say(f"{item.file}: {item.text}")
    raise typer.Exit(int(ExitCode.FAIL if problems else ExitCode.PASS))


def judge(
    run_name: RunArgument,
    profile: Annotated[
        str, typer.Option("--profile", metavar="OTHER", help="Judge by this profile's criteria.")
    ] = "",
    runs_dir: RunsDir = None,
    as_json: AsJson = False,
) -> None:
    """Judge a run again, by its own criteria or another profile's; the first judgement stays."""
    from harness.cli.running import tell
    from harness.finishing import conclude, conclude_under
    from harness.profile.loader import load_profile
    from harness.record.listing import resolve_run

    folder = resolve_run(kept_runs(runs_dir), run_name)
    if not profile:
        tell(conclude(folder), as_json)
        return
    loaded = load_profile(profile)
    concluded = conclude_under(folder, loaded.profile, loaded.text)
    tell(concluded, as_json, loaded.profile.name)
