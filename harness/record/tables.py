"""Reads whole tables from records that may be damaged: what can be had, and a word on the rest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeVar

from harness.errors import RecordError
from harness.record.chain import Row
from harness.record.database import Database
from harness.record.rows import CHANNELS, DamagedRow, Shape, from_row
from harness.results import Channel

T = TypeVar("T")

#: A record may come from anywhere, so no table may fill the memory. Honest ones stay far below.
MOST_ROWS = 400_000
MOST_TEXT_BYTES = 64 << 20


class TableReader:
    """Rows of one record by column name; `banners` collects what could not be read."""

    def __init__(self, database: Database) -> None:
        self.banners: list[str] = []
        self._database = database
        self._room = MOST_TEXT_BYTES

    def rows(self, table: str, *, most: int = MOST_ROWS) -> list[dict[str, Any]]:
        """Rows of `table` in order of id: all of them, or as many as damage and limits allow."""
        found, damaged = self._decoded(table, self._ascending(table, most))
        if damaged:
            self.banners.append(f"DAMAGED: {damaged} rows of {table} cannot be read")
        return found

    def latest(self, table: str, key: str) -> list[dict[str, Any]]:
        """Of the rows with the same `key` the one told last, in the order they were first told."""
        return list({row[key]: row for row in self.rows(table)}.values())

    def built(self, shape: Shape[T], rows: list[dict[str, Any]]) -> tuple[T, ...]:
        """The dataclasses of `rows`; a row that makes none becomes a banner."""
        return tuple(item for row in rows for item in self.build(shape, row))

    def build(self, shape: Shape[T], row: Mapping[str, Any], **more: Any) -> tuple[T, ...]:
        """The dataclass of one row, or nothing and a banner."""
        try:
            return (shape.build(row, **more),)
        except DamagedRow as error:
            self.banners.append(f"DAMAGED: row {row['id']} of {error}")
            return ()

    def _decoded(
        self, table: str, rows: Iterator[tuple[int, Row]]
    ) -> tuple[list[dict[str, Any]], int]:
        found: list[dict[str, Any]] = []
        damaged = 0
        for _, row in rows:
            self._room -= sum(len(value) for value in row if isinstance(value, (str, bytes)))
            if self._room < 0:
                self.banners.append(f"LIMIT: {table} holds too much text, the rest was not read")
                break
            try:
                found.append(from_row(table, row))
            except DamagedRow:
                damaged += 1
        return found, damaged

    def _ascending(self, table: str, most: int) -> Iterator[tuple[int, Row]]:
        """Forward until damage, then backward from the end to reach what lies behind it."""
        seen = 0
        try:
            for seen, row in _steps(self._database, table, 0, most):
                yield seen, row
        except RecordError as error:
            self.banners.append(f"DAMAGED: table {table} after row {seen}: {error}")
            yield from self._behind(table, seen, most)
            return
        if self._database.scalar(f"SELECT 1 FROM {table} WHERE id > ?", (seen,)):  # noqa: S608
            self.banners.append(f"LIMIT: only the first {most} rows of {table} were read")

    def _behind(self, table: str, seen: int, most: int) -> Iterator[tuple[int, Row]]:
        behind: list[tuple[int, Row]] = []
        sql = f"SELECT * FROM {table} WHERE id > ? ORDER BY id DESC LIMIT ?"  # noqa: S608
        try:
            for row in self._database.query(sql, (seen, most)):
                number = row[0]
                if not isinstance(number, int) or (behind and number >= behind[-1][0]):
                    break
                behind.append((number, row))
        except RecordError:
            pass  # told already; these rows are a bonus
        yield from reversed(behind)


def _steps(database: Database, table: str, after: int, most: int) -> Iterator[tuple[int, Row]]:
    last = after
    sql = f"SELECT * FROM {table} WHERE id > ? ORDER BY id LIMIT ?"  # noqa: S608
    for row in database.query(sql, (after, most)):
        number = row[0]
        if not isinstance(number, int) or number <= last:
            # Pages of a damaged tree may lead in a circle.
            raise RecordError(f"its rows are not in order after {last}")
        last = number
        yield number, row


def count_rows(database: Database, table: str) -> int:
    """How many rows `table` has; 0 when that cannot be read."""
    try:
        count = database.scalar(f"SELECT count(*) FROM {table}")  # noqa: S608
    except RecordError:
        return 0
    return count if isinstance(count, int) else 0


def numbered_channels(tables: TableReader) -> dict[int, Channel]:
    """The channels by the number that blocks know them by, as last announced."""
    rows = tables.latest("channels", "key")
    return {row["number"]: channel for row in rows for channel in tables.build(CHANNELS, row)}
