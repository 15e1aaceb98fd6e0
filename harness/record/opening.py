"""Opens any record to read: live, sealed, from a read-only folder, old, damaged or hostile."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from harness.errors import RecordError
from harness.record.database import (
    APPLICATION_ID,
    RECORD_NAME,
    SCHEMA_VERSION,
    Database,
    driver_error_name,
    log_in_use,
)
from harness.record.upgrades import upgraded_copy


@dataclass(frozen=True)
class OpenRecord:
    """A record open for reading, and what its reader must be told first."""

    database: Database
    path: Path
    #: Version that the file has; `database` has today's, by an upgrade on a copy where needed.
    schema_version: int
    banners: tuple[str, ...]


def record_path(path: Path) -> Path:
    """The record's file, given itself or its run's folder."""
    return path / RECORD_NAME if path.is_dir() else path


@contextmanager
def open_record(path: Path) -> Iterator[OpenRecord]:
    """Open the record at `path` (a run's folder or the file) and look at what it claims to be.

    Raises RecordError when it is missing, foreign, newer than this rigproof, or its tables are
    not those of its version.
    """
    file = record_path(path)
    log_is_missing = log_in_use(file) and not file.with_name(f"{file.name}-wal").exists()
    database, banners = _opened(file)
    if log_is_missing:
        banners.append("the record's log file is missing: its last seconds may be lost")
    try:
        yield from _checked(database, file, banners)
    finally:
        database.close()


def _checked(database: Database, file: Path, banners: list[str]) -> Iterator[OpenRecord]:
    version = _version(database)
    if version == SCHEMA_VERSION:
        database.check_identity()
        yield OpenRecord(database, file, version, tuple(banners))
        return
    _refuse_programs(database)
    with tempfile.TemporaryDirectory(prefix="rigproof-") as folder:
        upgraded_copy(database, Path(folder) / RECORD_NAME).close()
        copy = Database.open_for_reading(Path(folder) / RECORD_NAME)
        try:
            copy.check_identity()
            told = f"schema version {version} was read as version {SCHEMA_VERSION}, on a copy"
            yield OpenRecord(copy, file, version, (*banners, told))
        finally:
            copy.close()


def _version(database: Database) -> int:
    if database.scalar("PRAGMA application_id") != APPLICATION_ID:
        raise RecordError("this SQLite file is no rigproof record", path=database.path)
    version = database.version
    if version > SCHEMA_VERSION:
        raise RecordError(
            f"its schema version is {version}, this rigproof reads versions up to "
            f"{SCHEMA_VERSION}: use a newer rigproof",
            path=database.path,
        )
    return version


def _refuse_programs(database: Database) -> None:
    # An upgrade writes to the copy, and a trigger or view there would be a stranger's program.
    kinds = {str(kind) for kind, _, _ in database.schema()}
    if kinds - {"table", "index"}:
        raise RecordError(
            "it holds views or triggers, which no record has: it was changed", path=database.path
        )


def _opened(file: Path) -> tuple[Database, list[str]]:
    try:
        return Database.open_for_reading(file), []
    except RecordError as error:
        if not driver_error_name(error).startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY")):
            raise
        if not os.access(file, os.R_OK):
            raise
    # A write-ahead log needs an index file beside it, which a read-only folder does not allow.
    banner = "the folder is read-only and the run was not sealed: what stands in its log is missing"
    return Database.open_for_reading(file, immutable=True), [banner]
