"""`watch`: follow a run from another terminal, over a remote shell too; reads the record only."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import AsJson, RunArgument, RunsDir, kept_runs
from harness.cli.plain import say, say_json, visible
from harness.clock import NS_PER_SECOND, SYSTEM

if TYPE_CHECKING:
    from rich.console import RenderableType

    from harness.record.progress import Progress

Once = Annotated[bool, typer.Option("--once", help="Look once and end.")]
_LOOK_SECONDS = 1.0
_SILENT_SECONDS = 15.0


def watch(
    run_name: RunArgument = "",
    runs_dir: RunsDir = None,
    once: Once = False,
    as_json: AsJson = False,
) -> None:
    """Follow a run from another terminal. Without RUN: the newest one."""
    from harness.record.listing import list_runs, resolve_run
    from harness.record.progress import progress

    folder = kept_runs(runs_dir)
    if not run_name:
        known = sorted(line.run_id for line in list_runs(folder))
        run_name = known[-1] if known else ""
    place = resolve_run(folder, run_name)
    if as_json:
        say_json(_document(progress(place)))
        return
    _follow(place, once)


def _follow(place: Path, once: bool) -> None:
    from rich.console import Console
    from rich.live import Live

    from harness.record.progress import progress

    console = Console(highlight=False)
    if once or not console.is_terminal:
        _follow_plainly(place, once)
        return
    with Live(console=console, auto_refresh=False) as live:
        while True:
            now = progress(place)
            live.update(_picture(now), refresh=True)
            if now.end.ending is not None:
                return
            SYSTEM.sleep(_LOOK_SECONDS)


def _follow_plainly(place: Path, once: bool) -> None:
    """New events as lines; for pipes, and for `--once`."""
    from harness.record.progress import progress
    from harness.units import elapsed

    told = -1.0
    while True:
        now = progress(place)
        for event in now.events:
            if event.at_seconds > told:
                say(f"[{elapsed(event.at_seconds)}] {event.kind}: {event.text}")
                told = event.at_seconds
        if once or now.end.ending is not None:
            say(_state(now))
            return
        SYSTEM.sleep(_LOOK_SECONDS)


def _state(now: Progress) -> str:
    from harness.units import elapsed
    from reports.wording import plural

    ending = "going on" if now.end.ending is None else str(now.end.ending)
    counts = f"{plural(now.trials, 'trial')}, {plural(now.failures, 'failure')}"
    return f"{now.run_id}: {ending}, {elapsed(now.at_seconds)} measured, {counts}"


def _picture(now: Progress) -> RenderableType:
    from rich.console import Group
    from rich.text import Text

    from harness.cli.verdicts import failure_line

    age = (SYSTEM.wall_ns() - now.wall_ns) / NS_PER_SECOND
    parts: list[RenderableType] = [Text(visible(_state(now)), style="bold")]
    if now.first_failure is not None:
        parts.append(Text(f"first failure: {failure_line(now.first_failure).strip()}", style="red"))
    style = "bold yellow" if age > _SILENT_SECONDS else "dim"
    parts.append(Text(f"last safe write {age:.0f} s ago", style=style))
    parts += [Text(visible(line)) for line in _temperatures(now)]
    parts += [
        Text(visible(f"  {event.kind}: {event.text}"), style="dim") for event in now.events[-8:]
    ]
    return Group(*parts)


def _temperatures(now: Progress) -> list[str]:
    return [
        f"{item.channel.name}: {item.value:.1f} {item.channel.unit}"
        for item in now.latest
        if item.value is not None and item.channel.role in {"cpu_temperature", "cpu_power"}
    ]


def _document(now: Progress) -> dict[str, Any]:
    document = asdict(now)
    document["state"] = _state(now)
    return document
