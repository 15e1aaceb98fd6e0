"""Upgrades: each step once, in order, on a copy."""

from __future__ import annotations

from pathlib import Path

import pytest
from record_samples import finished_run

from harness.errors import RecordError
from harness.record.database import RECORD_NAME, SCHEMA_VERSION, Database
from harness.record.upgrades import STEPS, upgraded_copy


@pytest.fixture
def source(tmp_path: Path) -> Database:
    return Database.open_for_reading(finished_run(tmp_path) / RECORD_NAME)


def test_there_is_a_step_from_every_older_version() -> None:
    assert sorted(STEPS) == list(range(1, SCHEMA_VERSION))


def test_steps_run_in_order_on_the_copy_alone(source: Database, tmp_path: Path) -> None:
    before = source.path.read_bytes()
    steps = {
        1: "ALTER TABLE trials ADD COLUMN note TEXT; UPDATE trials SET note = 'from 1'",
        2: "UPDATE trials SET note = note || ', from 2'",
    }
    copy = upgraded_copy(source, tmp_path / "copy.sqlite3", steps=steps, newest=3)
    assert copy.version == 3
    assert list(copy.query("SELECT DISTINCT note FROM trials")) == [("from 1, from 2",)]
    copy.close()
    assert source.path.read_bytes() == before
    assert source.version == 1


def test_a_missing_step_is_refused_with_both_versions(source: Database, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="version is 1, this rigproof reads versions 1 to 3"):
        upgraded_copy(source, tmp_path / "copy.sqlite3", steps={2: "SELECT 1"}, newest=3)


def test_a_half_migrated_record_fails_with_the_file_named(source: Database, tmp_path: Path) -> None:
    steps = {1: "ALTER TABLE trials ADD COLUMN rate REAL"}
    with pytest.raises(RecordError, match=r"not upgraded: .*duplicate column") as caught:
        upgraded_copy(source, tmp_path / "copy.sqlite3", steps=steps, newest=2)
    assert str(source.path) in str(caught.value)
