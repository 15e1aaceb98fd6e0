"""The one class that touches sqlite3: how files are opened, and what driver errors become.

Writing: WAL with ``synchronous=FULL`` set by hand (distributions change the default), so that an
acknowledged commit survives a power cut; checkpoints are made by the writer, never behind its back.
Exactly one connection writes. Reading: ``mode=ro``, the schema in the file is not trusted, lengths
are limited, because a record may come from anywhere.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from importlib import resources
from pathlib import Path
from typing import NamedTuple

from harness.errors import RecordError, RigproofError, StorageError, StorageFull
from harness.record.chain import Row, Value
from harness.record.files import open_plain

#: "rgpf": marks the file as one of ours in its header.
APPLICATION_ID = 0x72677066
SCHEMA_VERSION = 1
RECORD_NAME = "record.sqlite3"

_BUSY_MILLISECONDS = 2_000
#: Only a checkpoint can meet a reader, and it had better come back later than wait.
_WRITER_BUSY_MILLISECONDS = 100
#: No honest value is longer: a profile is at most 1 MB, a block a few hundred kB.
_LONGEST_VALUE_BYTES = 8 << 20
#: With less than this left, an input/output error is a full disk that the system words otherwise.
_NO_SPACE_BYTES = 64 << 10

_WRITE_VERSION_OFFSET = 18

_COMMON_PRAGMAS = (
    f"busy_timeout={_BUSY_MILLISECONDS}",
    "trusted_schema=OFF",
    "cell_size_check=ON",
    "foreign_keys=ON",
)
_WRITING_PRAGMAS = (
    "synchronous=FULL",
    "fullfsync=ON",
    "checkpoint_fullfsync=ON",
    "wal_autocheckpoint=0",
    "temp_store=MEMORY",
)
_REMEDIES = {
    "SQLITE_FULL": "the disk is full: free space or choose another --runs-dir",
    "SQLITE_READONLY": "the file system is read-only: choose another --runs-dir",
    "SQLITE_BUSY": "another process holds the record: close what has it open",
    "SQLITE_NOTADB": "this is no SQLite file: give the record of a run",
    "SQLITE_CORRUPT": "the file is damaged: restore it from a copy",
    "SQLITE_CANTOPEN": "it cannot be opened: check the path and its permissions",
    "SQLITE_IOERR": "the storage answers with errors: check the disk and its cable",
}


class Unstorable(RecordError):
    """One row that the schema refuses (a number told twice, a value out of range)."""


class Database:
    """An open SQLite file; every driver error leaves as one of ours, with the file's name."""

    def __init__(self, path: Path, connection: sqlite3.Connection, *, writing: bool) -> None:
        self.path = path
        self._connection = connection
        self._writing = writing

    @classmethod
    def create(cls, path: Path) -> Database:
        """Make the file, private to the user, with today's schema; WAL is not yet on.

        Raises StorageError when the folder cannot be written or the file exists.
        """
        try:
            os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
        except OSError as error:
            raise StorageError(f"{path}: not created: {error.strerror or error}") from error
        database = cls._connect(path, "rw", writing=True)
        try:
            database._prepare()
            with database.transaction():
                database.execute(f"PRAGMA application_id={APPLICATION_ID}")
                database.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
                for statement in schema_statements():
                    database.execute(statement)
        except BaseException:
            database.close()
            raise
        return database

    @classmethod
    def open_for_writing(cls, path: Path) -> Database:
        """Open a record of today's schema to add to it, in WAL mode."""
        database = cls._connect(path, "rw", writing=True)
        try:
            database._prepare()
            database.check_identity()
            database._use_wal()
            database._apply((f"busy_timeout={_WRITER_BUSY_MILLISECONDS}",))
        except BaseException:
            database.close()
            raise
        return database

    @classmethod
    def open_for_reading(cls, path: Path, *, immutable: bool = False) -> Database:
        """Open without ever changing the file; `immutable` ignores a WAL beside it."""
        if not path.is_file():
            raise RecordError("there is no such record: give a run's folder or id", path=path)
        mode = "ro&immutable=1" if immutable else "ro"
        database = cls._connect(path, mode, writing=False)
        try:
            database._apply((*_COMMON_PRAGMAS, "query_only=ON", "mmap_size=0"))
            database.scalar("SELECT count(*) FROM sqlite_schema")
        except BaseException:
            database.close()
            raise
        return database

    @classmethod
    def _connect(cls, path: Path, mode: str, *, writing: bool) -> Database:
        address = f"{path.absolute().as_uri()}?mode={mode}"
        try:
            connection = sqlite3.connect(
                address, uri=True, isolation_level=None, check_same_thread=False
            )
        except sqlite3.Error as error:
            raise _translated(error, path, writing) from error
        connection.text_factory = _text
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_VALUE_BYTES)
        return cls(path, connection, writing=writing)

    def _prepare(self) -> None:
        self._apply((*_COMMON_PRAGMAS, *_WRITING_PRAGMAS))

    def _use_wal(self) -> None:
        mode = self.scalar("PRAGMA journal_mode=WAL")
        if mode != "wal":
            raise StorageError(
                f"{self.path}: the file system allows no write-ahead log (mode {mode!r}): "
                "keep runs on a local disk, choose another --runs-dir"
            )

    def _apply(self, pragmas: Sequence[str]) -> None:
        for pragma in pragmas:
            self.execute(f"PRAGMA {pragma}")

    def check_identity(self, version: int = SCHEMA_VERSION) -> None:
        """Raise RecordError unless the file is a record of schema `version`, tables and all."""
        application = self.scalar("PRAGMA application_id")
        if application != APPLICATION_ID:
            raise RecordError("this SQLite file is no rigproof record", path=self.path)
        found = self.version
        if found != version:
            raise RecordError(
                f"its schema version is {found}, this rigproof writes version {version}: "
                + ("use a newer rigproof" if found > version else "read it, or start a new run"),
                path=self.path,
            )
        if self.schema() != expected_schema():
            raise RecordError(
                f"its tables are not those of schema version {version}: the file is damaged or "
                "was changed by another program",
                path=self.path,
            )

    @property
    def version(self) -> int:
        """The schema version that the file names."""
        return int(str(self.scalar("PRAGMA user_version")))

    def schema(self) -> frozenset[tuple[Value, ...]]:
        """Every object of the schema as (type, name, SQL), SQLite's own ones left out."""
        rows = self.query(
            "SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite~_%' ESCAPE '~'"
        )
        return frozenset(rows)

    def execute(self, sql: str, values: Sequence[Value] = ()) -> int:
        """Run one statement; returns the id of the row it inserted, if it did."""
        with self._translating():
            return self._connection.execute(sql, values).lastrowid or 0

    def query(self, sql: str, values: Sequence[Value] = ()) -> Iterator[tuple[Value, ...]]:
        """Rows of one statement, fetched as they are asked for."""
        with self._translating():
            cursor = self._connection.execute(sql, values)
        while True:
            with self._translating():
                row = cursor.fetchone()
            if row is None:
                return
            yield row

    def scalar(self, sql: str, values: Sequence[Value] = ()) -> Value:
        """First value of the first row, or None when there is no row."""
        with self._translating():
            row: Row | None = self._connection.execute(sql, values).fetchone()
        return None if row is None else row[0]

    @contextmanager
    def savepoint(self) -> Iterator[None]:
        """Inside a transaction: on an error only what was done in here is undone."""
        self.execute("SAVEPOINT item")
        try:
            yield
        except Unstorable:
            self.execute("ROLLBACK TO item")
            raise
        finally:
            with suppress(StorageError):
                self.execute("RELEASE item")

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing; on any error what was begun is undone and the error goes on."""
        self.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Everything read inside is of one moment, whatever is written meanwhile."""
        self.execute("BEGIN")
        try:
            yield
        finally:
            self._roll_back()  # a commit would report once more what a damaged page did

    def _roll_back(self) -> None:
        with suppress(sqlite3.Error):
            self._connection.execute("ROLLBACK")

    def checkpoint(self) -> bool:
        """Move the log into the file and empty it; False when a reader was in the way."""
        with self._translating():
            row = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        return bool(row[0] == 0)

    def leave_wal(self) -> bool:
        """Journal mode DELETE, so that the file alone is the record; False while it is in use."""
        try:
            return self.scalar("PRAGMA journal_mode=DELETE") == "delete"
        except StorageError as error:
            if driver_error_name(error).startswith("SQLITE_BUSY"):
                return False
            raise

    def copy_to(self, target: Path) -> Database:
        """A consistent copy made by the backup API, log included; opened for writing."""
        copy = Database._connect(target, "rwc", writing=True)
        with self._translating():
            self._connection.backup(copy._connection)
        return copy

    def run_script(self, script: str) -> None:
        """Run the statements of an upgrade step."""
        with self._translating():
            self._connection.executescript(script)

    def close(self) -> None:
        """Close the connection; further use is an error."""
        with suppress(sqlite3.Error):
            self._connection.close()

    @contextmanager
    def _translating(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OverflowError, UnicodeError) as error:
            raise _translated(error, self.path, self._writing) from error


@cache
def schema_text() -> str:
    """schema.sql as shipped: the commented definition of today's version."""
    return resources.files("harness.record").joinpath("schema.sql").read_text("utf-8")


@cache
def schema_statements() -> tuple[str, ...]:
    """The statements of schema.sql, comments between them left out."""
    statements: list[str] = []
    lines: list[str] = []
    for line in schema_text().splitlines():
        if not lines and (not line.strip() or line.startswith("--")):
            continue
        lines.append(line)
        if sqlite3.complete_statement("\n".join(lines)):
            statements.append("\n".join(lines))
            lines = []
    return tuple(statements)


@cache
def expected_schema() -> frozenset[tuple[Value, ...]]:
    """What :meth:`Database.schema` returns for a record of today's version."""
    connection = sqlite3.connect(":memory:")
    try:
        connection.executescript("\n".join(schema_statements()))
        return Database(Path(":memory:"), connection, writing=True).schema()
    finally:
        connection.close()


class Column(NamedTuple):
    """One column as schema.sql declares it."""

    name: str
    kind: str
    required: bool


@cache
def table_columns(table: str) -> tuple[Column, ...]:
    """The columns of `table` in schema order."""
    connection = sqlite3.connect(":memory:")
    try:
        connection.executescript("\n".join(schema_statements()))
        rows = connection.execute(
            'SELECT name, type, "notnull" FROM pragma_table_info(?)', (table,)
        )
        return tuple(Column(str(name), str(kind), bool(required)) for name, kind, required in rows)
    finally:
        connection.close()


def library_version() -> str:
    """Version of the SQLite library in use."""
    return sqlite3.sqlite_version


def _text(data: bytes) -> str:
    # A damaged text must not hide the rest of its row.
    return data.decode("utf-8", "replace")


def log_in_use(path: Path) -> bool:
    """Whether the file at `path` is written through a log, as it is until it is sealed.

    Offset 18 of an SQLite file is its write version, 2 for a write-ahead log (fileformat2.html,
    section 1.3.3). False for what is no file or cannot be read.
    """
    try:
        with open_plain(path) as stream:
            return stream.read(_WRITE_VERSION_OFFSET + 1)[_WRITE_VERSION_OFFSET:] == b"\x02"
    except OSError:
        return False


def driver_error_name(error: BaseException) -> str:
    """SQLite's own name of what lies behind one of our errors, e.g. SQLITE_FULL, or nothing."""
    return _name_of(error.__cause__)


def _name_of(error: BaseException | None) -> str:
    return str(getattr(error, "sqlite_errorname", "") or "")


def _translated(error: Exception, path: Path, writing: bool) -> RigproofError:
    name = _name_of(error)
    remedy = next((text for prefix, text in _REMEDIES.items() if name.startswith(prefix)), "")
    told = f"{error} ({name})" if name else str(error)
    message = f"{told}: {remedy}" if remedy else told
    if writing and isinstance(error, (sqlite3.IntegrityError, OverflowError, UnicodeError)):
        return Unstorable(message, path=path)
    if not writing:
        return RecordError(message, path=path)
    if name == "SQLITE_FULL" or (name.startswith("SQLITE_IOERR") and _space_is_gone(path)):
        return StorageFull(f"{path}: {told}: {_REMEDIES['SQLITE_FULL']}")
    if name.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return RecordError(message, path=path)
    if name.startswith("SQLITE_IOERR") and _is_read_only(path.parent):
        return StorageError(f"{path}: {told}: {_REMEDIES['SQLITE_READONLY']}")
    return StorageError(f"{path}: {message}")


def _space_is_gone(path: Path) -> bool:
    try:
        return shutil.disk_usage(path.parent).free < _NO_SPACE_BYTES
    except OSError:
        return False


def _is_read_only(folder: Path) -> bool:
    """Whether the file system has turned read-only, as some do by themselves after an error.

    Asked by making a file: such a mount may still be marked as writable.
    """
    probe = folder / ".writable"
    try:
        os.close(os.open(probe, os.O_WRONLY | os.O_CREAT, 0o600))
        probe.unlink()
    except OSError as error:
        return error.errno == errno.EROFS
    return False
