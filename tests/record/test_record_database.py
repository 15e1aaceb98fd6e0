"""The class that touches sqlite3: its pragmas, its errors, and the schema it ships."""

from __future__ import annotations

import re
import sqlite3
import stat
from pathlib import Path

import pytest
from record_samples import finished_run

from harness.errors import RecordError, StorageError, StorageFull
from harness.record import database as database_module
from harness.record.database import (
    APPLICATION_ID,
    RECORD_NAME,
    SCHEMA_VERSION,
    Database,
    expected_schema,
    log_in_use,
    schema_statements,
    schema_text,
    table_columns,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / RECORD_NAME
    Database.create(made).close()
    return made


def test_a_new_file_is_private_and_says_what_it_is(path: Path) -> None:
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    # Offsets 60 and 68 of the header: user version and application id (SQLite's file format).
    header = path.read_bytes()[:100]
    assert int.from_bytes(header[60:64], "big") == SCHEMA_VERSION
    assert int.from_bytes(header[68:72], "big") == APPLICATION_ID


def test_writing_is_safe_against_power_cuts_whatever_the_distribution_chose(path: Path) -> None:
    writing = Database.open_for_writing(path)
    # 2 is FULL in SQLite's documentation of the pragma.
    assert writing.scalar("PRAGMA synchronous") == 2
    assert writing.scalar("PRAGMA journal_mode") == "wal"
    assert writing.scalar("PRAGMA trusted_schema") == 0
    assert writing.scalar("PRAGMA wal_autocheckpoint") == 0
    assert writing.scalar("PRAGMA foreign_keys") == 1
    writing.close()


def test_reading_cannot_write(path: Path) -> None:
    reading = Database.open_for_reading(path)
    assert reading.scalar("PRAGMA trusted_schema") == 0
    with pytest.raises(RecordError, match="readonly"):
        reading.execute("DELETE FROM chain")
    reading.close()


def test_every_statement_of_the_schema_runs_and_the_comments_stay_in_the_file() -> None:
    names = {name for _, name, _ in expected_schema()}
    tables = set(re.findall(r"^CREATE TABLE (\w+)", schema_text(), re.MULTILINE))
    assert names - {"sqlite_autoindex_trials_1"} == tables
    assert len(schema_statements()) == len(tables)
    assert all(statement.rstrip().endswith("STRICT;") for statement in schema_statements())


def test_the_history_has_a_line_for_each_version() -> None:
    history = re.findall(r"^--   (\d+)  \S", schema_text(), re.MULTILINE)
    assert [int(version) for version in history] == list(range(1, SCHEMA_VERSION + 1))


def test_the_generated_columns_are_those_of_the_schema() -> None:
    columns = {column.name: (column.kind, column.required) for column in table_columns("failures")}
    assert columns["link"] == ("INTEGER", True)
    assert columns["workload"] == ("TEXT", False)
    assert columns["at_seconds"] == ("REAL", True)


def test_a_transaction_is_all_or_nothing(path: Path) -> None:
    writing = Database.open_for_writing(path)
    insert = "INSERT INTO chain VALUES (?, 0.0, 0, 0, x'00')"
    with pytest.raises(KeyError), writing.transaction():
        writing.execute(insert, (1,))
        raise KeyError
    with writing.transaction():
        writing.execute(insert, (2,))
    assert list(writing.query("SELECT number FROM chain")) == [(2,)]
    writing.close()


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "no rigproof record"),
        (b"PK\x03\x04" + bytes(5000), "no SQLite file"),
        (b"just text", "no SQLite file"),
    ],
)
def test_a_foreign_file_is_named_with_what_is_wrong(
    tmp_path: Path, content: bytes, told: str
) -> None:
    path = tmp_path / "x.sqlite3"
    path.write_bytes(content)
    with pytest.raises(RecordError, match=told) as caught:
        Database.open_for_writing(path)
    assert str(path) in str(caught.value)


def test_a_missing_file_is_not_created(tmp_path: Path) -> None:
    for opener in (Database.open_for_reading, Database.open_for_writing):
        with pytest.raises((RecordError, StorageError)):
            opener(tmp_path / "none.sqlite3")
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_is_not_created_again(path: Path) -> None:
    with pytest.raises(StorageError, match="not created"):
        Database.create(path)


def test_a_path_with_signs_that_mean_something_in_addresses_works(tmp_path: Path) -> None:
    path = tmp_path / "a?mode=memory#b %41" / RECORD_NAME
    path.parent.mkdir()
    Database.create(path).close()
    reading = Database.open_for_reading(path)
    assert reading.version == SCHEMA_VERSION
    reading.close()


def _driver_error(name: str) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("told by the driver")
    error.sqlite_errorname = name
    return error


@pytest.mark.parametrize(
    ("name", "kind", "told"),
    [
        ("SQLITE_FULL", StorageFull, "disk is full"),
        ("SQLITE_READONLY_DBMOVED", StorageError, "read-only"),
        ("SQLITE_IOERR_WRITE", StorageError, "answers with errors"),
        ("SQLITE_CORRUPT_INDEX", RecordError, "damaged"),
        ("SQLITE_SOMETHING", StorageError, "told by the driver"),
    ],
)
def test_a_driver_error_while_writing_becomes_ours_with_file_and_remedy(
    name: str, kind: type[Exception], told: str
) -> None:
    made = database_module._translated(_driver_error(name), Path("/r/record.sqlite3"), True)
    assert type(made) is kind
    assert told in str(made)
    assert "/r/record.sqlite3" in str(made)
    assert name in str(made)


def test_an_input_output_error_without_space_is_a_full_disk(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database_module, "_space_is_gone", lambda _: True)
    made = database_module._translated(_driver_error("SQLITE_IOERR_SHMSIZE"), path, True)
    assert isinstance(made, StorageFull)


def test_any_driver_error_while_reading_is_the_records_fault(path: Path) -> None:
    made = database_module._translated(_driver_error("SQLITE_IOERR_READ"), path, False)
    assert type(made) is RecordError


def test_the_log_is_in_use_until_the_record_is_sealed(tmp_path: Path, path: Path) -> None:
    assert not log_in_use(path)
    writing = Database.open_for_writing(path)
    assert log_in_use(path)
    assert writing.checkpoint()
    assert writing.leave_wal()
    assert not log_in_use(path)
    writing.close()
    assert not log_in_use(finished_run(tmp_path))
    assert not log_in_use(tmp_path / "none")


def test_a_checkpoint_gives_way_to_a_reader(path: Path) -> None:
    writing = Database.open_for_writing(path)
    reading = Database.open_for_reading(path)
    with reading.snapshot():
        reading.scalar("SELECT count(*) FROM chain")
        writing.execute("INSERT INTO chain VALUES (1, 0.0, 0, 0, x'00')")
        assert not writing.checkpoint()
        assert not writing.leave_wal()
    reading.close()
    assert writing.checkpoint()
    writing.close()
