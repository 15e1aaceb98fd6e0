"""Options that several commands share, spelled once."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.plain import say
from harness.errors import UsageError

RunsDir = Annotated[
    Path | None,
    typer.Option(
        "--runs-dir",
        help="Folder of the runs; else RIGPROOF_RUNS_DIR, else `runs` in your data folder.",
        show_default=False,
    ),
]
SysfsRoot = Annotated[
    Path | None,
    typer.Option(
        "--sysfs-root",
        help="Read /sys and /proc below this folder; else RIGPROOF_SYSFS_ROOT, else /.",
        show_default=False,
    ),
]
Settings = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="NAME=VALUE",
        help="Declare a setting that you changed, e.g. memory_speed=6000MT/s. Repeatable.",
        show_default=False,
    ),
]
Notes = Annotated[
    list[str] | None,
    typer.Option("--note", metavar="TEXT", help="A note for the record.", show_default=False),
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, nothing else.")]
AllowCommands = Annotated[
    bool,
    typer.Option(
        "--allow-commands",
        help="Let the profile start the programs it names (workload `command`, external sensors).",
    ),
]
AcceptNoTemperature = Annotated[
    bool,
    typer.Option(
        "--accept-no-temperature", help="Soak although no CPU temperature can be watched."
    ),
]
RunArgument = Annotated[
    str, typer.Argument(metavar="RUN", help="Run id, a unique beginning of it, or a path.")
]


def sysfs_root(option: Path | None) -> Path:
    """Where /sys and /proc are read: the option, the environment, or the real root."""
    return option or Path(os.environ.get("RIGPROOF_SYSFS_ROOT") or "/")


def kept_runs(option: Path | None, root: Path | None = None) -> Path:
    """The runs folder. Runs in it that ended without their end are closed and reported first.

    `root` is the `--sysfs-root` option: a boot id read there tells a restart from a killed harness.
    """
    from harness.record.listing import runs_folder
    from harness.recovery import close_and_report

    folder = runs_folder(option)
    for line in close_and_report(folder, sysfs_root(root)):
        say(line, err=True)
    return folder


def parse_settings(given: Sequence[str] | None) -> dict[str, str]:
    """``NAME=VALUE`` pairs as a mapping. Raises UsageError for anything else."""
    settings: dict[str, str] = {}
    for item in given or ():
        name, equals, value = item.partition("=")
        if not equals or not name.strip():
            raise UsageError(f"--set received {item!r}: it needs NAME=VALUE, e.g. vcore=1.25V")
        settings[name.strip()] = value.strip()
    return settings
