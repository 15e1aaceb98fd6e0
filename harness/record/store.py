"""Adds to one record, commit by commit, in the thread that calls: no queue, no clock, no thread.

Every commit writes its rows and one row of the hash chain in one transaction. Rows are only added.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import singledispatchmethod
from itertools import chain
from pathlib import Path
from typing import Any

from harness.errors import RecordError, StorageError
from harness.outcome import Ending
from harness.record.blocks import Block, make_blocks
from harness.record.chain import GENESIS, LINKED_TABLES, Value, canonical_row, next_hash
from harness.record.database import (
    RECORD_NAME,
    Database,
    Unstorable,
    library_version,
    table_columns,
)
from harness.record.files import fsync_folder
from harness.record.header import Properties, PropertyKind, RunHeader
from harness.record.owner import Owner
from harness.record.rows import (
    BOOTS,
    CHANNELS,
    EVENTS,
    FAILURES,
    LANES,
    LOADS,
    SAFETY_STOPS,
    SOAKS,
    TRIALS,
    DamagedRow,
    from_row,
    to_row,
)
from harness.results import (
    Boot,
    Channel,
    Event,
    Failure,
    LaneTrial,
    LoadInfo,
    SafetyStop,
    SoakData,
    TrialData,
)
from harness.sweeps import PackedSweep


@dataclass(frozen=True)
class Part:
    """One process's stretch of a record."""

    boot: int
    started_seconds: float
    owner: Owner


@dataclass(frozen=True)
class PartEnd:
    """The end event's row: how the current part ended."""

    ending: Ending
    text: str
    at_seconds: float
    wall_ns: int


@dataclass(frozen=True)
class Stamp:
    """When a commit was made: on the run's axis, and by the wall clock as a label."""

    at_seconds: float
    wall_ns: int


Item = (
    Event
    | Failure
    | TrialData
    | SoakData
    | LoadInfo
    | Channel
    | SafetyStop
    | Boot
    | Properties
    | RunHeader
    | Part
    | PartEnd
)


class RecordStore:
    """An open record and the state that adding to it needs. Use from one thread at a time."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self.path = database.path
        self._rows: dict[str, list[bytes]] = {}
        self._number, self._hash = 0, GENESIS
        self._channels: dict[str, int] = {}
        self._points: dict[int, float] = {}
        self._identity = _identity(self.path)
        self._load_state()

    @classmethod
    def create(cls, folder: Path, items: Sequence[Item], stamp: Stamp) -> RecordStore:
        """A new record in `folder` whose first commit holds `items`.

        It appears under its name with that commit inside or not at all. Raises StorageError.
        """
        path = folder / RECORD_NAME
        if path.exists():
            raise StorageError(f"{path}: there is a record already: a run needs a new folder")
        part = folder / f".{RECORD_NAME}.part"
        part.unlink(missing_ok=True)
        try:
            store = cls(Database.create(part))
            try:
                store.commit(items, (), stamp, strict=True)
            finally:
                store.close()
        except BaseException:
            with suppress(OSError):
                part.unlink(missing_ok=True)
            raise
        part.replace(path)
        fsync_folder(folder)
        return cls.open(path)

    @classmethod
    def open(cls, path: Path) -> RecordStore:
        """An existing record of today's schema. Raises RecordError or StorageError."""
        store = cls(Database.open_for_writing(path))
        fsync_folder(path.parent)  # the log beside the file must be there after a power cut
        return store

    def commit(
        self,
        items: Sequence[Item],
        sweeps: Sequence[PackedSweep],
        stamp: Stamp,
        *,
        strict: bool = False,
    ) -> list[Unstorable | None]:
        """Write everything in one transaction; returns what was wrong with each item, or None.

        An item that the record cannot hold (a trial number told twice) is left out and reported;
        with `strict` it is raised. Raises StorageError when nothing could be written.
        """
        self._check_in_place()
        self._rows = {}
        try:
            with self._database.transaction():
                outcomes = [self._add_apart(item, strict) for item in items]
                self._add_sweeps(sweeps)
                self._add_chain_row(stamp)
        except BaseException:
            self._reload_after_failure()
            raise
        self._number += 1
        return outcomes

    def checkpoint(self) -> bool:
        """Move the log into the file; False when a reader was in the way."""
        return self._database.checkpoint()

    def leave_wal(self) -> bool:
        """Make the file alone the whole record; False while somebody reads it."""
        return self._database.leave_wal()

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def last_boot(self) -> Boot:
        """The latest boot told. Raises RecordError when the record has none."""
        row = self._last_row("boots", "id")
        try:
            return BOOTS.build(row)
        except DamagedRow as error:
            raise RecordError(f"its last boot is damaged: {error}", path=self.path) from error

    def last_stamp(self) -> Stamp:
        """When the latest commit was made. Raises RecordError when the record has none."""
        row = self._last_row("chain", "number")
        return Stamp(row["at_seconds"], row["wall_ns"])

    def run_id(self) -> str:
        """The run's id. Raises RecordError when the header is missing."""
        return str(self._last_row("header", "id")["run_id"])

    def _last_row(self, table: str, order: str) -> dict[str, Any]:
        sql = f"SELECT * FROM {table} ORDER BY {order} DESC LIMIT 1"  # noqa: S608
        try:
            for row in self._database.query(sql):
                return from_row(table, row)
        except DamagedRow as error:
            raise RecordError(f"table {table} is damaged: {error}", path=self.path) from error
        raise RecordError(f"table {table} is empty: it is damaged", path=self.path)

    def _check_in_place(self) -> None:
        # Writing to a file that was deleted or whose disk went away may succeed for ever.
        if _identity(self.path) != self._identity:
            raise StorageError(
                f"{self.path}: the record is gone from its place: is the disk there?"
            )

    def _load_state(self) -> None:
        database = self._database
        self._number, self._hash = 0, GENESIS
        try:
            for number, digest in database.query(
                "SELECT number, hash FROM chain ORDER BY number DESC LIMIT 1"
            ):
                self._number, self._hash = _integer(number), _octets(digest)
            pairs = database.query("SELECT key, number FROM channels ORDER BY id")
            self._channels = {str(key): _integer(number) for key, number in pairs}
            points = database.query("SELECT soak, max(at_seconds) FROM rate_points GROUP BY soak")
            self._points = {_integer(soak): float(str(last)) for soak, last in points}
        except (TypeError, ValueError) as error:
            raise RecordError(f"it cannot be added to: {error}", path=self.path) from error

    def _reload_after_failure(self) -> None:
        try:
            self._load_state()
        except (RecordError, StorageError):
            return  # the failure that is on its way says more

    def _add_apart(self, item: Item, strict: bool) -> Unstorable | None:
        before = {table: len(rows) for table, rows in self._rows.items()}
        try:
            with self._database.savepoint():
                self._add(item)
        except Unstorable as error:
            if strict:
                raise
            self._rows = {table: self._rows[table][:length] for table, length in before.items()}
            return error
        return None

    def _insert(self, table: str, values: Mapping[str, object]) -> int:
        try:
            row = to_row(table, {**values, "link": self._number + 1})
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise Unstorable(f"a row of {table} cannot be made: {error}", path=self.path) from error
        number = self._database.execute(_insertion(table), row)
        self._rows.setdefault(table, []).append(canonical_row(table, (number, *row)))
        return number

    def _add_chain_row(self, stamp: Stamp) -> None:
        ordered = [row for table in LINKED_TABLES for row in self._rows.get(table, ())]
        chain_row: tuple[Value, ...] = (
            self._number + 1,
            float(stamp.at_seconds) + 0.0,
            int(stamp.wall_ns),
            len(ordered),
        )
        digest = next_hash(self._hash, chain_row, ordered)
        self._database.execute("INSERT INTO chain VALUES (?, ?, ?, ?, ?)", (*chain_row, digest))
        self._hash = digest

    @singledispatchmethod
    def _add(self, item: Any) -> None:
        raise TypeError(f"a record does not hold {type(item).__name__}")

    @_add.register
    def _(self, item: Event) -> None:
        self._insert("events", EVENTS.values(item))

    @_add.register
    def _(self, item: Failure) -> None:
        self._insert("failures", FAILURES.values(item))

    @_add.register
    def _(self, item: TrialData) -> None:
        number = self._insert("trials", TRIALS.values(item))
        self._add_lanes(item.lanes, trial_id=number, soak_id=None)

    @_add.register
    def _(self, item: SoakData) -> None:
        median, largest = item.step_skew_seconds or (None, None)
        number = self._insert(
            "soaks",
            SOAKS.values(item, step_skew_median_seconds=median, step_skew_largest_seconds=largest),
        )
        self._add_lanes(item.lanes, trial_id=None, soak_id=number)
        self._add_points(item)

    def _add_lanes(
        self, lanes: Sequence[LaneTrial], *, trial_id: int | None, soak_id: int | None
    ) -> None:
        for lane in lanes:
            self._insert("lanes", LANES.values(lane, trial_id=trial_id, soak_id=soak_id))

    def _add_points(self, item: SoakData) -> None:
        last = self._points.get(item.number, float("-inf"))
        for at_seconds, rate in item.rate_points:
            if at_seconds > last:
                values = {"soak": item.number, "at_seconds": at_seconds, "rate": rate}
                self._insert("rate_points", values)
                self._points[item.number] = last = at_seconds

    @_add.register
    def _(self, item: LoadInfo) -> None:
        self._insert("loads", LOADS.values(item))

    @_add.register
    def _(self, item: Channel) -> None:
        number = self._channels.get(item.key, len(self._channels) + 1)
        self._insert("channels", CHANNELS.values(item, number=number))
        self._channels[item.key] = number

    @_add.register
    def _(self, item: SafetyStop) -> None:
        self._insert("safety_stops", SAFETY_STOPS.values(item))

    @_add.register
    def _(self, item: Boot) -> None:
        self._insert("boots", BOOTS.values(item))

    @_add.register
    def _(self, item: Properties) -> None:
        for name, value in item.values.items():
            values = {"kind": item.kind, "name": name, "value_json": value}
            self._insert("properties", values)

    @_add.register
    def _(self, item: RunHeader) -> None:
        own = {column.name for column in table_columns("header")} - {"id", "link", "sqlite_version"}
        values: dict[str, object] = {name: getattr(item, name) for name in own}
        self._insert("header", values | {"sqlite_version": library_version()})
        for kind, mapping in _properties_of(item):
            self._add(Properties(kind, mapping))

    @_add.register
    def _(self, item: Part) -> None:
        owner = item.owner
        values = {
            "boot": item.boot,
            "started_seconds": item.started_seconds,
            "owner_pid": owner.pid,
            "owner_mark": owner.mark,
            "boot_id": owner.boot_id,
            "argv_json": owner.argv,
            "terminal": owner.terminal,
        }
        self._insert("parts", values)

    @_add.register
    def _(self, item: PartEnd) -> None:
        part = self._database.scalar("SELECT max(id) FROM parts")
        values = {name: getattr(item, name) for name in ("at_seconds", "wall_ns", "ending", "text")}
        self._insert("endings", values | {"part": part})

    def _add_sweeps(self, sweeps: Sequence[PackedSweep]) -> None:
        sets = dict.fromkeys(sweep.channels for sweep in sweeps)
        for key in chain.from_iterable(sets):
            if key not in self._channels:
                # Readings of a channel that nobody announced are kept all the same.
                self._add(Channel(key, key, "", "", absent_reason="not announced"))
        for block in make_blocks(sweeps, self._channels):
            self._insert("sample_blocks", _block_values(block))


def _block_values(block: Block) -> dict[str, object]:
    return {
        "start_seconds": block.start_seconds,
        "duration_seconds": block.duration_seconds,
        "readings": block.readings,
        "envelopes": block.envelopes,
        "packed": block.packed,
    }


def _properties_of(header: RunHeader) -> list[tuple[PropertyKind, Any]]:
    return [
        (PropertyKind.SETTING, header.settings),
        (PropertyKind.FACT, header.facts),
        (PropertyKind.VERSION, header.versions),
        (PropertyKind.CONTEXT, header.context),
    ]


def _insertion(table: str) -> str:
    names = [column.name for column in table_columns(table) if column.name != "id"]
    marks = ", ".join("?" * len(names))
    # Names come from schema.sql alone.
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})"  # noqa: S608


def _octets(value: Value) -> bytes:
    if not isinstance(value, bytes):
        raise TypeError(f"a hash was expected, not {value!r}")
    return value


def _integer(value: Value) -> int:
    if not isinstance(value, int):
        raise TypeError(f"an integer was expected, not {value!r}")
    return value


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino
