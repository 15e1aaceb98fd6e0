"""Writes a record as CSV files (RFC 4180) that a spreadsheet opens without running anything.

Units stand in the column names or in a column `unit`; what was not measured is an empty cell.
A text that a spreadsheet would take for a formula gets an apostrophe in front (CWE-1236).
"""

from __future__ import annotations

import csv
import json
import math
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.errors import StorageError
from harness.record.database import Database
from harness.record.opening import open_record
from harness.record.reader import read_run, readable_blocks
from harness.record.tables import TableReader, numbered_channels
from harness.results import LaneTrial, RunData

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
_LANE_COLUMNS = (
    "lane",
    "cpu",
    "passes",
    "work",
    "seconds",
    "pass_mean_seconds",
    "pass_p10_seconds",
    "verified",
    "run_delay_seconds",
    "involuntary_switches",
    "major_faults",
    "clock_hz",
)

Cells = Sequence[object]


def export_run(
    path: Path, to: Path, causes_of: Callable[[RunData], Mapping[int, Sequence[str]]] | None = None
) -> tuple[Path, ...]:
    """Write trials, lanes, soaks, rates, samples, events, failures as CSV into the folder `to`.

    `causes_of` gives all that disturbed each trial, by its number; without it the trials carry
    only what was recorded with them.
    `to` is made when missing; files of the same name in it are refused. Raises RecordError for a
    record that cannot be read, StorageError for a folder that cannot be written.
    """
    data = read_run(path)
    tables = {
        "trials": _trials(data, {} if causes_of is None else causes_of(data)),
        "lanes": _lanes(data),
        "soaks": _soaks(data),
        "rates": _rates(data),
        "events": _events(data),
        "failures": _failures(data),
    }
    written = [_write(to, name, rows) for name, rows in tables.items()]
    with open_record(path) as record:
        written.append(_write(to, "samples", _samples(record.database)))
    return tuple(written)


def safe_cell(value: object) -> object:
    """`value` as a cell: nothing for what was not measured, no text that starts a formula."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, (bool, int, float)):
        return str(value).lower() if isinstance(value, bool) else repr(value)
    text = str(value)
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_STARTS) else text


def _write(to: Path, name: str, rows: Iterable[Cells]) -> Path:
    path = to / f"{name}.csv"
    try:
        to.mkdir(mode=0o755, parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        with os.fdopen(descriptor, "w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerows([safe_cell(cell) for cell in row] for row in rows)
    except FileExistsError as error:
        raise StorageError(f"{path}: it exists already: choose another folder with --to") from error
    except OSError as error:
        raise StorageError(f"{path}: not written: {error.strerror or error}") from error
    return path


def _trials(data: RunData, causes: Mapping[int, Sequence[str]]) -> Iterator[Cells]:
    units = {load.number: load.unit for load in data.loads}
    yield (
        *("trial", "round", "load", "workload", "boot", "started_seconds", "ended_seconds"),
        *("rate_per_second", "capability_rate_per_second", "unit", "valid", "causes"),
    )
    for trial in data.trials:
        yield (
            *(trial.number, trial.round, trial.load, trial.workload, trial.boot),
            *(trial.started_seconds, trial.ended_seconds, trial.rate, trial.capability_rate),
            *(
                units.get(trial.load, ""),
                trial.valid,
                "; ".join(causes.get(trial.number, trial.causes)),
            ),
        )


def _lanes(data: RunData) -> Iterator[Cells]:
    yield ("of", "number", *_LANE_COLUMNS, "readings")
    for trial in data.trials:
        yield from (_lane("trial", trial.number, lane) for lane in trial.lanes)
    for soak in data.soaks:
        yield from (_lane("soak", soak.number, lane) for lane in soak.lanes)


def _lane(kind: str, number: int, lane: LaneTrial) -> Cells:
    readings = json.dumps(dict(lane.readings)) if lane.readings else ""
    return (kind, number, *(getattr(lane, name) for name in _LANE_COLUMNS), readings)


def _soaks(data: RunData) -> Iterator[Cells]:
    yield (
        *("soak", "load", "workload", "pattern", "boot", "started_seconds", "ended_seconds"),
        *("complete", "step_skew_median_seconds", "step_skew_largest_seconds"),
    )
    for soak in data.soaks:
        yield (
            *(soak.number, soak.load, soak.workload, soak.pattern, soak.boot),
            *(soak.started_seconds, soak.ended_seconds, soak.complete),
            *(soak.step_skew_seconds or (None, None)),
        )


def _rates(data: RunData) -> Iterator[Cells]:
    units = {load.number: load.unit for load in data.loads}
    yield ("soak", "at_seconds", "rate_per_second", "unit")
    for soak in data.soaks:
        for at_seconds, rate in soak.rate_points:
            yield (soak.number, at_seconds, rate, units.get(soak.load, ""))


def _events(data: RunData) -> Iterator[Cells]:
    yield ("at_seconds", "kind", "text", "data")
    for event in data.events:
        yield (event.at_seconds, event.kind, event.text, json.dumps(dict(event.data)))


def _failures(data: RunData) -> Iterator[Cells]:
    yield ("at_seconds", "kind", "workload", "lane", "core", "detail")
    for item in data.failures:
        yield (item.at_seconds, item.kind, item.workload, item.lane, item.core, item.detail)


def _samples(database: Database) -> Iterator[Cells]:
    yield (
        *("at_seconds", "channel", "name", "role", "value", "unit"),
        *("reason", "flag", "latency_seconds"),
    )
    channels = numbered_channels(TableReader(database))
    for readings in readable_blocks(database):
        columns: Iterable[tuple[Any, ...]] = zip(
            readings.at_seconds.tolist(),
            readings.channel.tolist(),
            readings.value.tolist(),
            readings.reason.tolist(),
            readings.flag.tolist(),
            readings.latency_seconds.tolist(),
            strict=True,
        )
        for at_seconds, number, value, reason, flag, latency in columns:
            known = channels.get(number)
            named = (known.key, known.name, known.role) if known else (number, "", "")
            unit = known.unit if known else ""
            texts = (readings.texts[reason], readings.texts[flag])
            yield (at_seconds, *named, value, unit, *texts, latency)
