"""Walks a record's hash chain from the first commit to the last, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator

from harness.errors import RecordError
from harness.record.chain import GENESIS, LINKED_TABLES, Row, canonical_row, next_hash
from harness.record.database import Database

_LINK = 1  # place of the link in every linked table


class _Stream:
    """Rows of one table in order, taken commit by commit."""

    def __init__(self, database: Database, table: str) -> None:
        self.table = table
        self.trouble = ""
        self._rows = database.query(f"SELECT * FROM {table} ORDER BY id")  # noqa: S608
        self._next = self._fetch()

    def take(self, number: int) -> Iterator[bytes]:
        """Canonical rows of commit `number`, and of none before it: those have no commit."""
        while self._next is not None and self._link(self._next) <= number:
            yield canonical_row(self.table, self._next)
            self._next = self._fetch()

    def rest(self) -> bool:
        """Whether rows are left over."""
        return self._next is not None

    def _fetch(self) -> Row | None:
        try:
            return next(self._rows, None)
        except RecordError as error:
            self.trouble = str(error)
            return None

    @staticmethod
    def _link(row: Row) -> int:
        link = row[_LINK]
        return link if isinstance(link, int) else -1


def chain_problems(database: Database) -> Iterator[str]:
    """One sentence for each commit that does not fit its hash; nothing when all is well."""
    try:
        streams = [_Stream(database, table) for table in LINKED_TABLES]
        yield from _walk(database, streams)
    except RecordError as error:
        yield f"the hash chain cannot be read: {error}"
        return
    for stream in streams:
        if stream.trouble:
            yield f"table {stream.table} cannot be read to its end: {stream.trouble}"
        if stream.rest():
            yield f"table {stream.table} has rows that no commit covers"


def _walk(database: Database, streams: list[_Stream]) -> Iterator[str]:
    previous, last = GENESIS, 0
    for number, at_seconds, wall_ns, count, digest in database.query(
        "SELECT number, at_seconds, wall_ns, row_count, hash FROM chain ORDER BY number"
    ):
        if number != last + 1:
            yield f"commit {last + 1} is missing from the hash chain"
        last = number if isinstance(number, int) else last + 1
        rows = [row for stream in streams for row in stream.take(last)]
        expected = next_hash(previous, (number, at_seconds, wall_ns, count), rows)
        if len(rows) != count:
            yield f"commit {last} holds {len(rows)} rows instead of {count!r}"
        elif digest != expected:
            yield f"commit {last} does not match its hash: it was changed after it was written"
        # Go on from what is stored, so that one damage names one commit.
        previous = digest if isinstance(digest, bytes) else GENESIS
