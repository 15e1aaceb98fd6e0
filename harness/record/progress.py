"""A glance at a run that goes on: cheap enough to take every second, from another process too."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from harness.errors import RecordError
from harness.record.blocks import DamagedBlock, unpack_envelopes
from harness.record.database import Database
from harness.record.opening import OpenRecord, open_record
from harness.record.reader import EndOfRun, read_end, read_header
from harness.record.rows import EVENTS, FAILURES, DamagedRow, Shape, from_row
from harness.record.tables import TableReader, count_rows, numbered_channels
from harness.results import Channel, Event, Failure

T = TypeVar("T")

_LAST_EVENTS = 20


@dataclass(frozen=True)
class Latest:
    """A channel and its last value, None where its last readings gave none."""

    channel: Channel
    value: float | None


@dataclass(frozen=True)
class Progress:
    """Where a run stands. `at_seconds` and `wall_ns` are of the last commit."""

    run_id: str
    profile_name: str
    at_seconds: float
    wall_ns: int
    end: EndOfRun
    trials: int
    failures: int
    first_failure: Failure | None
    #: The latest events, oldest first.
    events: tuple[Event, ...]
    latest: tuple[Latest, ...]


def progress(path: Path) -> Progress:
    """A glance at the run at `path`, a folder or a record. Raises RecordError as `read_run`."""
    with open_record(path) as record, record.database.snapshot():
        return progress_of(record)


def progress_of(record: OpenRecord) -> Progress:
    """A glance at an open record."""
    header = read_header(record)
    database = record.database
    at_seconds, wall_ns = _last_commit(record)
    first = _few(database, FAILURES, "ORDER BY id LIMIT 1")
    events = _few(database, EVENTS, f"ORDER BY id DESC LIMIT {_LAST_EVENTS}")
    return Progress(
        run_id=header["run_id"],
        profile_name=header["profile_name"],
        at_seconds=at_seconds,
        wall_ns=wall_ns,
        end=read_end(TableReader(database)),
        trials=count_rows(database, "trials"),
        failures=count_rows(database, "failures"),
        first_failure=first[0] if first else None,
        events=tuple(reversed(events)),
        latest=_latest_values(database),
    )


def _last_commit(record: OpenRecord) -> tuple[float, int]:
    sql = "SELECT * FROM chain ORDER BY number DESC LIMIT 1"
    try:
        for row in record.database.query(sql):
            named = from_row("chain", row)
            return named["at_seconds"], named["wall_ns"]
    except DamagedRow as error:
        raise RecordError(f"its last commit is damaged: {error}", path=record.path) from error
    raise RecordError("it holds no commit: it is damaged", path=record.path)


def _few(database: Database, shape: Shape[T], rest: str) -> list[T]:
    built = []
    for row in database.query(f"SELECT * FROM {shape.table} {rest}"):  # noqa: S608
        try:
            built.append(shape.build(from_row(shape.table, row)))
        except DamagedRow:
            continue  # the full reader tells it
    return built


def _latest_values(database: Database) -> tuple[Latest, ...]:
    channels = numbered_channels(TableReader(database))
    packed = database.scalar("SELECT envelopes FROM sample_blocks ORDER BY id DESC LIMIT 1")
    try:
        columns: Mapping[str, Any] = unpack_envelopes(packed if isinstance(packed, bytes) else b"")
    except DamagedBlock:
        return ()
    pairs = zip(columns["channel"].tolist(), columns["last"].tolist(), strict=True)
    return tuple(
        Latest(channels[number], None if math.isnan(value) else value)
        for number, value in pairs
        if number in channels
    )
