"""Reads a record: everything a judgement may use, or one channel's readings.

Works while the run goes on, on sealed records in read-only folders, and as far as possible on
damaged ones, with a banner for everything that is missing. Never changes a record.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.clock import iso_utc
from harness.errors import RecordError
from harness.outcome import Ending
from harness.record.blocks import DamagedBlock, Readings, unpack_readings
from harness.record.chaincheck import chain_problems
from harness.record.database import Database
from harness.record.envelopes import NumberedChannel, channel_data
from harness.record.header import PropertyKind
from harness.record.opening import OpenRecord, open_record
from harness.record.rows import (
    BOOTS,
    EVENTS,
    FAILURES,
    LANES,
    LOADS,
    SAFETY_STOPS,
    SOAKS,
    TRIALS,
    Shape,
)
from harness.record.tables import TableReader, numbered_channels
from harness.results import (
    ChannelData,
    EventKind,
    LaneTrial,
    RunData,
    SafetyStop,
    SoakData,
    TrialData,
)

NO_END_EVENT = "no end event: the run is still going on, or it crashed"

_MOST_CHAIN_BANNERS = 3

Row = Mapping[str, Any]


@dataclass(frozen=True)
class EndOfRun:
    """How and when the last part ended; `ending` is None while it has not."""

    ending: Ending | None
    text: str = NO_END_EVENT
    ended_utc: str | None = None
    at_seconds: float | None = None


def read_run(path: Path) -> RunData:
    """Everything in the record at `path` (a run's folder or the file itself).

    Of a run without an end event `ended_utc` is None and `ending` is CRASHED; a banner says that
    it may still be going on. Raises RecordError when there is nothing that could be judged: no
    such file, another file, a newer version, or damage to its header.
    """
    with open_record(path) as record, record.database.snapshot():
        return _RunReader(record).read()


@dataclass(frozen=True)
class Outline:
    """The little that says whether a record is worth reading whole.

    `ending` is None where the run has no end event.
    """

    ending: Ending | None
    profile_sha256: str
    context: Mapping[str, Any]


def read_outline(path: Path) -> Outline:
    """For looking through many records, of which few are then read whole.

    Raises RecordError when the record cannot be opened or its header is damaged.
    """
    with open_record(path) as record, record.database.snapshot():
        tables = TableReader(record.database)
        context = _properties(tables)[PropertyKind.CONTEXT]
        return Outline(read_end(tables).ending, read_header(record)["profile_sha256"], context)


def samples(path: Path, channel_key: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times in seconds on the run's axis and values of one channel, two arrays of equal length.

    Ordered by time. A missing reading is NaN; doubted readings are included. Damaged blocks are
    left out. Raises RecordError when the record cannot be read or has no such channel.
    """
    with open_record(path) as record:
        number = _channel_number(record, channel_key)
        times: list[NDArray[Any]] = [np.empty(0)]
        values: list[NDArray[Any]] = [np.empty(0)]
        for readings in readable_blocks(record.database):
            mine = readings.channel == number
            times.append(readings.at_seconds[mine])
            values.append(readings.value[mine])
    joined = np.concatenate(times)
    order = np.argsort(joined, kind="stable")
    return joined[order], np.concatenate(values)[order]


def readable_blocks(database: Database) -> Iterator[Readings]:
    """The readings of every block that can be read, block by block in order of arrival."""
    for (packed,) in database.query("SELECT packed FROM sample_blocks ORDER BY id"):
        try:
            yield unpack_readings(packed if isinstance(packed, bytes) else b"")
        except DamagedBlock:
            continue


class _RunReader:
    """Reads one record's tables into RunData and keeps the banners together."""

    def __init__(self, record: OpenRecord) -> None:
        self._record = record
        self._database = record.database
        self._tables = TableReader(record.database)
        self._tables.banners.extend(record.banners)

    def read(self) -> RunData:
        header = read_header(self._record)
        end = read_end(self._tables)
        properties = _properties(self._tables)
        # Threads hand events over in nearly, not exactly, the order in which they happened.
        events = tuple(sorted(self._all(EVENTS), key=lambda event: event.at_seconds))
        data = RunData(
            run_id=header["run_id"],
            schema_version=self._record.schema_version,
            started_utc=utc_or_unknown(header["created_wall_ns"]),
            ended_utc=end.ended_utc,
            duration_seconds=end.at_seconds,
            utc_offset_minutes=header["utc_offset_minutes"],
            profile_text=header["profile_text"],
            profile_name=header["profile_name"],
            profile_sha256=header["profile_sha256"],
            ending=end.ending or Ending.CRASHED,
            ending_text=end.text,
            partial=bool(header["partial"]),
            boots=self._latest(BOOTS, "number"),
            loads=self._latest(LOADS, "number"),
            trials=self._trials(),
            soaks=self._soaks(),
            failures=self._all(FAILURES),
            events=events,
            safety_stop=self._safety_stop(),
            channels=self._channels(),
            settings=properties[PropertyKind.SETTING],
            facts=properties[PropertyKind.FACT],
            notes=tuple(event.text for event in events if event.kind is EventKind.NOTE),
            versions={"sqlite": header["sqlite_version"], **properties[PropertyKind.VERSION]},
            context=properties[PropertyKind.CONTEXT],
        )
        return replace(data, banners=self._banners(end))

    def _banners(self, end: EndOfRun) -> tuple[str, ...]:
        banners = list(self._tables.banners)
        if end.ending is None:
            banners.append(NO_END_EVENT)
        problems = list(chain_problems(self._database))
        banners += [f"DAMAGED: {problem}" for problem in problems[:_MOST_CHAIN_BANNERS]]
        if len(problems) > _MOST_CHAIN_BANNERS:
            banners.append(f"DAMAGED: {len(problems) - _MOST_CHAIN_BANNERS} more problems like it")
        return tuple(banners)

    def _all(self, shape: Shape[Any]) -> tuple[Any, ...]:
        return self._tables.built(shape, self._tables.rows(shape.table))

    def _latest(self, shape: Shape[Any], key: str) -> tuple[Any, ...]:
        return self._tables.built(shape, self._tables.latest(shape.table, key))

    def _safety_stop(self) -> SafetyStop | None:
        stops = self._all(SAFETY_STOPS)
        return stops[-1] if stops else None

    def _lanes(self, owner: str) -> dict[int, list[LaneTrial]]:
        """Lanes by the id of their trial or soak."""
        found: dict[int, list[LaneTrial]] = {}
        for row in self._lane_rows:
            if row[owner] is not None:
                found.setdefault(row[owner], []).extend(self._tables.built(LANES, [row]))
        return found

    @cached_property
    def _lane_rows(self) -> list[dict[str, Any]]:
        return self._tables.rows("lanes")

    def _trials(self) -> tuple[TrialData, ...]:
        lanes = self._lanes("trial_id")
        return self._with_lanes(TRIALS, self._tables.rows("trials"), lanes, {})

    def _soaks(self) -> tuple[SoakData, ...]:
        points: dict[int, list[tuple[float, float]]] = {}
        for row in self._tables.rows("rate_points"):
            if row["rate"] is not None:
                points.setdefault(row["soak"], []).append((row["at_seconds"], row["rate"]))
        rows = self._tables.latest("soaks", "number")
        more = {
            row["id"]: {
                "step_skew_seconds": _skew(row),
                "rate_points": tuple(points.get(row["number"], ())),
            }
            for row in rows
        }
        return self._with_lanes(SOAKS, rows, self._lanes("soak_id"), more)

    def _with_lanes(
        self,
        shape: Shape[Any],
        rows: list[dict[str, Any]],
        lanes: dict[int, list[LaneTrial]],
        more: Mapping[int, Mapping[str, Any]],
    ) -> tuple[Any, ...]:
        built: list[Any] = []
        for row in rows:
            own = {"lanes": tuple(lanes.get(row["id"], ())), **more.get(row["id"], {})}
            built += self._tables.build(shape, row, **own)
        return tuple(built)

    def _channels(self) -> tuple[ChannelData, ...]:
        numbered = [
            NumberedChannel(number, channel)
            for number, channel in numbered_channels(self._tables).items()
        ]
        return channel_data(self._database, numbered, self._tables.banners)


def _properties(tables: TableReader) -> dict[PropertyKind, dict[str, Any]]:
    found: dict[PropertyKind, dict[str, Any]] = {kind: {} for kind in PropertyKind}
    for row in tables.rows("properties"):
        if row["kind"] in found:
            found[PropertyKind(row["kind"])][row["name"]] = row["value_json"]
    return found


def _skew(row: Row) -> tuple[float, float] | None:
    median, largest = row["step_skew_median_seconds"], row["step_skew_largest_seconds"]
    return None if median is None or largest is None else (median, largest)


def read_header(record: OpenRecord) -> dict[str, Any]:
    """The header's row by column name. Raises RecordError when it is missing or damaged."""
    rows = TableReader(record.database).rows("header")
    if not rows:
        raise RecordError(
            "its header is missing or damaged, so nothing of it can be judged", path=record.path
        )
    return rows[0]


def read_end(tables: TableReader) -> EndOfRun:
    """How the last part ended."""
    parts = tables.rows("parts")
    endings = tables.rows("endings")
    last = parts[-1]["id"] if parts else 0
    if not endings or endings[-1]["part"] < last:
        return EndOfRun(None)
    row = endings[-1]
    known = row["ending"] in set(Ending)
    return EndOfRun(
        Ending(row["ending"]) if known else Ending.ERROR,
        row["text"],
        utc_or_unknown(row["wall_ns"]),
        row["at_seconds"],
    )


def utc_or_unknown(wall_ns: int) -> str:
    """`wall_ns` as ISO 8601 UTC, or "unknown" for a number that no calendar has."""
    try:
        return iso_utc(wall_ns)
    except (ValueError, OverflowError, OSError):
        return "unknown"


def _channel_number(record: OpenRecord, key: str) -> int:
    sql = "SELECT number FROM channels WHERE key = ? ORDER BY id DESC LIMIT 1"
    number = record.database.scalar(sql, (key,))
    if not isinstance(number, int):
        raise RecordError(f"it has no channel '{key}'", path=record.path)
    return number
