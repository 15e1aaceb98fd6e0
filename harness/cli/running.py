"""`run`, `resume` and `requalify`: everything that puts load on the machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.options import (
    AcceptNoTemperature,
    AllowCommands,
    AsJson,
    Notes,
    RunArgument,
    RunsDir,
    Settings,
    SysfsRoot,
    kept_runs,
    parse_settings,
    sysfs_root,
)
from harness.cli.plain import say, say_json_text
from harness.cli.planning import ProfileArgument

if TYPE_CHECKING:
    from harness.finishing import Concluded
    from harness.startup import RunOptions

Select = Annotated[
    str,
    typer.Option("-k", metavar="TEXT", help="Only loads whose name contains TEXT; inconclusive."),
]
Recalibrate = Annotated[
    bool,
    typer.Option(
        "--recalibrate",
        help="Fix the trials' work and agree on results anew instead of taking the last run's.",
    ),
]
Cold = Annotated[
    bool | None,
    typer.Option(
        "--cold/--warm", help="Say whether this boot began cold or warm.", show_default=False
    ),
]

AllowInconclusive = Annotated[
    bool,
    typer.Option(
        "--allow-inconclusive",
        help="In junit.xml, undecided criteria pass; the exit code stays what it is.",
    ),
]


def run(
    profile: ProfileArgument,
    runs_dir: RunsDir = None,
    root: SysfsRoot = None,
    settings: Settings = None,
    note: Notes = None,
    as_json: AsJson = False,
    select: Select = "",
    allow_commands: AllowCommands = False,
    accept_no_temperature: AcceptNoTemperature = False,
    recalibrate: Recalibrate = False,
    allow_inconclusive: AllowInconclusive = False,
    cold: Cold = None,
) -> None:
    """Run a profile on this machine and judge it. The exit code is the verdict."""
    from harness.cli.live import watching
    from harness.plan import selected_loads
    from harness.profile.loader import load_profile
    from harness.running import run_profile
    from harness.startup import RunOptions

    loaded = load_profile(profile)
    selected_loads(loaded.profile, select)  # what cannot run is refused before anything is said
    declared = parse_settings(settings)
    options = RunOptions(
        runs_dir=prepare_runs_dir(runs_dir, root),
        sysfs_root=sysfs_root(root),
        settings=declared,
        notes=tuple(note or ()),
        allow_commands=allow_commands,
        accept_no_temperature=accept_no_temperature,
        select=select,
        recalibrate=recalibrate,
        allow_inconclusive=allow_inconclusive,
        cold=cold,
    )
    with watching(quiet=as_json) as observer:
        concluded = run_profile(loaded, options, observer)
    tell(concluded, as_json)


def resume(
    run_name: RunArgument,
    runs_dir: RunsDir = None,
    root: SysfsRoot = None,
    note: Notes = None,
    as_json: AsJson = False,
    allow_commands: AllowCommands = False,
    accept_no_temperature: AcceptNoTemperature = False,
    cold: Cold = None,
    settings_confirmed: Annotated[
        bool,
        typer.Option(
            "--settings-confirmed",
            help="After a crash: I have checked that the settings are still the declared ones.",
        ),
    ] = False,
) -> None:
    """Carry on a run after a planned restart or a crash."""
    from harness.cli.live import watching
    from harness.record.listing import resolve_run, runs_folder
    from harness.resuming import resume_run
    from harness.startup import RunOptions

    place = resolve_run(runs_folder(runs_dir), run_name)
    prepare_runs_dir(runs_dir, root)
    folder = kept_runs(place.absolute().parent, root)  # a path may lead to another runs folder
    options = RunOptions(
        runs_dir=folder,
        sysfs_root=sysfs_root(root),
        notes=tuple(note or ()),
        allow_commands=allow_commands,
        accept_no_temperature=accept_no_temperature,
        cold=cold,
    )
    with watching(quiet=as_json) as observer:
        concluded = resume_run(place, options, observer, confirmed=settings_confirmed)
    tell(concluded, as_json)


def requalify(
    baseline: Annotated[
        str,
        typer.Argument(
            metavar="BASELINE", help="The run (or runs, by commas) that the machine passed with."
        ),
    ],
    runs_dir: RunsDir = None,
    root: SysfsRoot = None,
    settings: Settings = None,
    note: Notes = None,
    as_json: AsJson = False,
    allow_commands: AllowCommands = False,
    accept_no_temperature: AcceptNoTemperature = False,
    allow_inconclusive: AllowInconclusive = False,
    cold: Cold = None,
    one_boot: Annotated[
        bool, typer.Option("--one-boot", help="Plan without restarts, whatever that costs.")
    ] = False,
) -> None:
    """Run a baseline's own profile again and judge against it: criteria, and nothing slower."""
    from harness.cli.live import watching
    from harness.record.listing import resolve_run, runs_folder
    from harness.requalifying import requalify_run
    from harness.startup import RunOptions

    declared = parse_settings(settings)
    names = [name.strip() for name in baseline.split(",") if name.strip()]
    folders = [resolve_run(runs_folder(runs_dir), name) for name in names or [baseline]]
    options = RunOptions(
        runs_dir=prepare_runs_dir(runs_dir, root),
        sysfs_root=sysfs_root(root),
        settings=declared,
        notes=tuple(note or ()),
        allow_commands=allow_commands,
        accept_no_temperature=accept_no_temperature,
        allow_inconclusive=allow_inconclusive,
        cold=cold,
    )
    with watching(quiet=as_json) as observer:
        concluded = requalify_run(folders, options, observer, one_boot=one_boot)
    tell(concluded, as_json)


def prepare_runs_dir(option: Path | None, root: Path | None) -> Path:
    """The runs folder, made if missing; runs that ended without their end are closed first."""
    from harness.record.listing import runs_folder

    folder = runs_folder(option)
    first = _make_if_missing(folder)
    say(f"runs folder: {folder}", err=True)
    if first:
        caution()
    return kept_runs(folder, root)


def _make_if_missing(folder: Path) -> bool:
    """True when there is no run in it yet. Raises StorageError when it cannot be used."""
    from harness.errors import StorageError

    try:
        folder.mkdir(parents=True, exist_ok=True)
        return not any(folder.iterdir())
    except OSError as error:
        raise StorageError(
            f"{folder}: the runs folder cannot be used: {error.strerror}: give another --runs-dir"
        ) from error


def caution() -> None:
    """What the first run on a machine says."""
    from harness.cautions import CAUTIONS

    say("Before the first run on this machine:", err=True)
    for text in CAUTIONS:
        say(f"  - {text}", err=True)


def tell(concluded: Concluded, as_json: bool, judged_by: str = "") -> None:
    """Print the verdict (or summary.json) and leave with its exit code.

    `judged_by` names the profile that judged, where it is not the run's own.

    A terminal or pipe that is gone by now changes no verdict: everything is in the report.
    """
    import contextlib

    from harness.cli.verdicts import print_verdict

    with contextlib.suppress(OSError):
        if as_json:
            say_json_text((concluded.folder / "summary.json").read_text("utf-8"))
        else:
            print_verdict(concluded, judged_by)
    raise typer.Exit(int(concluded.result.exit_code))


__all__ = ["RunOptions", "requalify", "resume", "run"]
