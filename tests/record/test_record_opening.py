"""Opening records from anywhere: sealed, live, read-only, foreign, newer, changed."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest
from record_samples import begin, finished_run, trial

from harness.errors import RecordError
from harness.outcome import Ending
from harness.record import opening
from harness.record.database import RECORD_NAME, SCHEMA_VERSION, Database
from harness.record.opening import open_record, record_path
from harness.record.reader import read_run
from harness.results import RunData


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return finished_run(tmp_path)


def change(folder: Path, sql: str) -> None:
    connection = sqlite3.connect(folder / RECORD_NAME)
    connection.executescript(sql)
    connection.close()


def test_a_folder_and_its_record_mean_the_same(folder: Path) -> None:
    assert record_path(folder) == record_path(folder / RECORD_NAME) == folder / RECORD_NAME
    assert read_run(folder) == read_run(folder / RECORD_NAME)


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        ("PRAGMA application_id=7", "no rigproof record"),
        (f"PRAGMA user_version={SCHEMA_VERSION + 1}", f"version is {SCHEMA_VERSION + 1}.*up to 1"),
        ("PRAGMA user_version=0", "version is 0"),
        ("DROP TABLE lanes", "tables are not those"),
        ("ALTER TABLE trials ADD COLUMN more TEXT", "tables are not those"),
        ("CREATE VIEW extra AS SELECT 1", "tables are not those"),
        ("CREATE TRIGGER t AFTER INSERT ON notes BEGIN SELECT 1; END", "tables are not those"),
        (
            "DROP TABLE events; CREATE VIEW events AS WITH RECURSIVE r(n) AS "
            "(SELECT 1 UNION ALL SELECT n FROM r) SELECT n FROM r",
            "tables are not those",
        ),
        ("DELETE FROM header", "header is missing"),
    ],
)
def test_a_record_that_is_not_what_it_claims_is_refused_with_the_reason(
    folder: Path, sql: str, told: str
) -> None:
    change(folder, sql.replace("ON notes", "ON events"))
    with pytest.raises(RecordError, match=told) as caught:
        read_run(folder)
    assert str(folder / RECORD_NAME) in str(caught.value)


def test_an_older_record_with_a_program_inside_is_not_upgraded(folder: Path) -> None:
    change(folder, "PRAGMA user_version=0; CREATE VIEW v AS SELECT 1")
    with pytest.raises(RecordError, match="views or triggers"):
        read_run(folder)


def test_an_older_record_is_read_by_upgrading_a_copy(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = read_run(folder)
    change(folder, "ALTER TABLE failures RENAME COLUMN detail TO words; PRAGMA user_version=0")
    before = (folder / RECORD_NAME).read_bytes()
    step = {0: "ALTER TABLE failures RENAME COLUMN words TO detail"}
    real = opening.upgraded_copy
    monkeypatch.setattr(opening, "upgraded_copy", lambda s, t: real(s, t, steps=step))
    found = read_run(folder)
    assert found.schema_version == 0
    assert any("read as version 1, on a copy" in banner for banner in found.banners)
    assert (found.trials, found.failures) == (expected.trials, expected.failures)
    assert (folder / RECORD_NAME).read_bytes() == before


def _copied_while_open(tmp_path: Path) -> tuple[Path, RunData]:
    """A folder as a crash leaves it: file and log."""
    writer = begin(tmp_path / "live")
    assert writer.put("in the log").wait(30.0)
    left = tmp_path / "left"
    shutil.copytree(writer.folder, left)
    live = read_run(writer.folder)
    writer.abandon()
    return left, live


def test_a_crashed_record_is_read_with_what_stands_in_its_log(tmp_path: Path) -> None:
    left, live = _copied_while_open(tmp_path)
    assert read_run(left) == live
    assert live.notes == ("in the log",)


def test_a_lost_log_is_told(tmp_path: Path) -> None:
    left, _ = _copied_while_open(tmp_path)
    for name in ("-wal", "-shm"):
        (left / f"{RECORD_NAME}{name}").unlink()
    run = read_run(left)
    assert run.notes == ()
    assert any("log file is missing" in banner for banner in run.banners)


def test_a_crashed_record_in_a_folder_where_nothing_can_be_made_is_read_without_its_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left, _ = _copied_while_open(tmp_path)
    real = Database.open_for_reading.__func__  # type: ignore[attr-defined]

    def refuse_log(kind: type[Database], path: Path, *, immutable: bool = False) -> Database:
        if immutable:
            return real(kind, path, immutable=True)
        error = RecordError("unable to open database file", path=path)
        cause = sqlite3.OperationalError()
        cause.sqlite_errorname = "SQLITE_CANTOPEN"
        raise error from cause

    monkeypatch.setattr(Database, "open_for_reading", classmethod(refuse_log))
    run = read_run(left)
    assert any("folder is read-only" in banner for banner in run.banners)
    assert run.profile_name == "sample"


def test_reading_leaves_a_sealed_folder_exactly_as_it_was(folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    read_run(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_sealed_record_opens_where_nothing_can_be_written(folder: Path) -> None:
    for path in (*folder.iterdir(), folder):
        path.chmod(0o500 if path.is_dir() else 0o400)
    try:
        assert read_run(folder).ending is Ending.COMPLETED
    finally:
        folder.chmod(0o700)


def test_a_missing_record_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no such record"), open_record(tmp_path):
        raise AssertionError("nothing to open")


def test_a_reader_sees_one_moment(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    with open_record(writer.folder) as record, record.database.snapshot():
        assert record.database.scalar("SELECT count(*) FROM trials") == 0
        assert writer.put(trial(1)).wait(30.0)
        assert record.database.scalar("SELECT count(*) FROM trials") == 0
    writer.abandon()
