"""The `rigproof` command: its verbs, and the one edge where expected errors are caught."""

from __future__ import annotations

import importlib.util
import os
import sys
import traceback
from contextlib import suppress
from pathlib import Path

import typer

from harness.cli import (
    comparing,
    planning,
    proving,
    reporting,
    running,
    sensing,
    storing,
    watching,
)
from harness.cli.plain import visible
from harness.errors import BrokenEnvironment, RigproofError
from harness.outcome import ExitCode

app = typer.Typer(
    name="rigproof",
    help="Run verified benchmarks and soaks from a YAML profile, judge them, report them.",
    epilog="It measures only: it never writes a clock, a voltage or a firmware setting.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

#: What each command does, in a sentence that has room on one line of 80 columns.
for _command, _name, _short in (
    (running.run, "run", "Run a profile on this machine and judge it."),
    (running.resume, "resume", "Carry on a run after a planned restart or a crash."),
    (running.requalify, "requalify", "Run a baseline's profile again and judge against it."),
    (comparing.compare, "compare", "Is AFTER faster, slower, equivalent, or not decided yet?"),
    (reporting.judge, "judge", "Judge a run again, by its own or other criteria."),
    (reporting.report, "report", "Write a run's reports again, from its record alone."),
    (watching.watch, "watch", "Follow a run from another terminal."),
    (storing.runs, "runs", "List the runs, oldest first."),
    (sensing.sensors, "sensors", "List every sensor channel, its value, its role and why."),
    (sensing.machine, "machine", "Print what the machine says it is, and what to mind."),
    (planning.workloads, "workloads", "List the workloads and whether each can run here."),
    (planning.check, "check", "Check a profile and print its plan without running it."),
    (planning.schema, "schema", "Print the JSON Schema of profiles, for editors."),
    (proving.self_test, "self-test", "Flip bits on purpose and show that each is caught."),
    (storing.export, "export", "Write a run's trials, samples and events as CSV files."),
):
    app.command(_name, short_help=_short)(_command)


def _version(wanted: bool) -> None:
    if wanted:
        from harness import __version__

        typer.echo(f"rigproof {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version."
    ),
) -> None:
    """Run verified benchmarks and soaks from a YAML profile, judge them, report them."""


def entry() -> None:
    """Console script: expected errors print one line, bugs keep their traceback and exit 5."""
    try:
        check_own_packages()
        code = app(standalone_mode=False)
    except RigproofError as error:
        code = _complain(error)
    except (KeyboardInterrupt, typer.Abort):
        code = ExitCode.INTERRUPTED
    except BrokenPipeError:
        code = ExitCode.ERROR
    except Exception as error:  # noqa: BLE001 - the edge: a bug, or the command line's own error
        code = _usage_or_bug(error)
    _let_go_of_lost_streams()
    sys.exit(int(code or 0))


def _let_go_of_lost_streams() -> None:
    """What cannot be flushed (a closed terminal, a pipe without reader) must not become the exit
    code, which is a verdict."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _complain(error: RigproofError) -> int:
    print(f"rigproof: {visible(str(error))}", file=sys.stderr)  # noqa: T201
    return error.exit_code


def _usage_or_bug(error: Exception) -> int:
    show = getattr(error, "show", None)
    code = getattr(error, "exit_code", None)
    if callable(show) and isinstance(code, int):
        show()
        return ExitCode.REFUSED
    with suppress(OSError):
        traceback.print_exc()
    return ExitCode.ERROR


def check_own_packages() -> None:
    """Refuse to start when something else answers to our packages' names."""
    home = Path(__file__).resolve().parents[2]
    for name in ("workloads", "reports"):
        spec = importlib.util.find_spec(name)
        found = None if spec is None or spec.origin is None else Path(spec.origin).resolve()
        if found is None or found.parent.parent != home:
            raise BrokenEnvironment(
                f"package '{name}' is {found or 'missing'}, not the one beside "
                f"{home / 'harness'}: install rigproof in an environment of its own"
            )
