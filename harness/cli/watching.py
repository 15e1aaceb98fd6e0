"""`watch`: follow a run from another terminal, over a remote shell too; reads the record only."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
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
    from harness.results import LoadInfo, TrialData

Once = Annotated[bool, typer.Option("--once", help="Look once and end.")]
_LOOK_SECONDS = 1.0
_SILENT_SECONDS = 15.0
#: Lines under the picture, and trials that are looked for among the latest events.
_LINES, _LATEST_TRIALS = 8, 10


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
            live.update(_picture(now, _told(now, place)), refresh=True)
            if now.end.ending is not None:
                return
            SYSTEM.sleep(_LOOK_SECONDS)


def _follow_plainly(place: Path, once: bool) -> None:
    """New events as lines; for pipes, and for `--once`."""
    from harness.record.progress import progress

    told: set[tuple[float, str]] = set()
    while True:
        now = progress(place)
        for line in _told(now, place):
            if line not in told:
                say(line[1])
                told.add(line)
        if once or now.end.ending is not None:
            say(_state(now))
            return
        SYSTEM.sleep(_LOOK_SECONDS)


def _told(now: Progress, place: Path) -> list[tuple[float, str]]:
    """(second, line) of the latest events and of the trials that ended among them, in order."""
    from harness.cli.live import describe
    from harness.units import elapsed

    since = now.events[0].at_seconds if now.events else 0.0
    trials, loads = _latest_trials(place)
    found = [
        (it.at_seconds, f"[{elapsed(it.at_seconds)}] {it.kind}: {it.text}") for it in now.events
    ]
    found += [(it.ended_seconds, describe(it, loads)) for it in trials if it.ended_seconds >= since]
    return sorted(found, key=lambda line: line[0])


def _latest_trials(place: Path) -> tuple[tuple[TrialData, ...], Mapping[int, LoadInfo]]:
    """The last trials with their lanes, and the loads by number; damaged rows are left out."""
    from harness.record.opening import open_record
    from harness.record.rows import LANES, LOADS, TRIALS, DamagedRow, from_row
    from harness.record.tables import TableReader

    with open_record(place) as record, record.database.snapshot():
        database, tables = record.database, TableReader(record.database)
        loads = tables.built(LOADS, tables.latest("loads", "number"))
        trials: list[TrialData] = []
        for row in database.query(
            "SELECT * FROM trials ORDER BY id DESC LIMIT ?", (_LATEST_TRIALS,)
        ):
            with contextlib.suppress(DamagedRow):
                named = from_row("trials", row)
                own = database.query("SELECT * FROM lanes WHERE trial_id = ?", (named["id"],))
                lanes = tables.built(LANES, [from_row("lanes", lane) for lane in own])
                trials.append(TRIALS.build(named, lanes=lanes))
    return tuple(reversed(trials)), {load.number: load for load in loads}


def _state(now: Progress) -> str:
    from harness.units import elapsed
    from reports.wording import plural

    ending = "going on" if now.end.ending is None else str(now.end.ending)
    counts = f"{plural(now.trials, 'trial')}, {plural(now.failures, 'failure')}"
    return f"{now.run_id}: {ending}, {elapsed(now.at_seconds)} measured, {counts}"


def _picture(now: Progress, told: Sequence[tuple[float, str]]) -> RenderableType:
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
    parts += [Text(visible(f"  {line}"), style="dim") for _, line in told[-_LINES:]]
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
