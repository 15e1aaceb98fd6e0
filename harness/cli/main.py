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

for _command, _name in (
    (running.run, "run"),
    (running.resume, "resume"),
    (running.requalify, "requalify"),
    (comparing.compare, "compare"),
    (reporting.judge, "judge"),
    (reporting.report, "report"),
    (watching.watch, "watch"),
    (storing.runs, "runs"),
    (sensing.sensors, "sensors"),
    (sensing.machine, "machine"),
    (planning.workloads, "workloads"),
    (planning.check, "check"),
    (planning.schema, "schema"),
    (proving.self_test, "self-test"),
    (storing.export, "export"),
):
    app.command(_name)(_command)


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
