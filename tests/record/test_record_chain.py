"""The hash chain: different rows never share bytes, and each change names its commit."""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_samples import finished_run

from harness.record.chain import GENESIS, LINKED_TABLES, canonical_row, next_hash
from harness.record.chaincheck import chain_problems
from harness.record.database import RECORD_NAME, Database, expected_schema, table_columns

values = (
    st.none()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.text(max_size=8)
    | st.binary(max_size=8)
)
rows = st.lists(values, max_size=6)


def same(first: object, second: object) -> bool:
    """Equal in type as well: 1, 1.0 and True are different values here."""
    return type(first) is type(second) and repr(first) == repr(second)


@given(rows, rows, st.sampled_from(LINKED_TABLES), st.sampled_from(LINKED_TABLES))
def test_two_rows_have_the_same_bytes_only_when_they_are_the_same(
    first: list[object], second: list[object], table: str, other: str
) -> None:
    equal = canonical_row(table, first) == canonical_row(other, second)  # type: ignore[arg-type]
    assert equal == (
        table == other
        and len(first) == len(second)
        and all(same(one, two) for one, two in zip(first, second, strict=True))
    )


@given(st.lists(rows, max_size=4), st.lists(rows, max_size=4))
def test_two_commits_have_the_same_hash_only_with_the_same_rows(
    first: list[list[object]], second: list[list[object]]
) -> None:
    head = (1, 0.0, 0, 0)
    hashes = [
        next_hash(GENESIS, head, [canonical_row("events", row) for row in commit])  # type: ignore[arg-type]
        for commit in (first, second)
    ]
    assert (hashes[0] == hashes[1]) == (repr(first) == repr(second))


def test_a_hash_is_sha256_of_the_written_down_bytes() -> None:
    # Bytes after the module's description, put together by hand.
    head = b"R" + b"T5:chain" + b"I1;" + b"F" + bytes(8) + b"I5;" + b"I1;" + b"."
    row = (
        b"R"
        + b"T6:events"
        + b"I1;"
        + b"I1;"
        + b"T4:\xc3\xa4\xc3\xb6"
        + b"N"
        + b"B2:\x00\xff"
        + b"."
    )
    expected = hashlib.sha256(GENESIS + head + row).digest()
    made = canonical_row("events", (1, 1, "äö", None, b"\x00\xff"))
    assert next_hash(GENESIS, (1, 0.0, 5, 1), [made]) == expected


def test_every_table_with_a_link_is_in_the_chain() -> None:
    tables = {name for kind, name, _ in expected_schema() if kind == "table"}
    linked = {
        str(table)
        for table in tables
        if any(column.name == "link" for column in table_columns(str(table)))
    }
    assert linked == set(LINKED_TABLES) == tables - {"chain"}
    # The check counts on the link's place.
    assert all(table_columns(table)[1].name == "link" for table in LINKED_TABLES)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = finished_run(tmp_path_factory.mktemp("chain"))
    return (folder / RECORD_NAME).read_bytes()


def problems_after(tmp_path: Path, good: bytes, sql: str) -> list[str]:
    path = tmp_path / RECORD_NAME
    path.write_bytes(good)
    connection = sqlite3.connect(path)
    with connection:
        connection.execute(sql)
    connection.close()
    database = Database.open_for_reading(path)
    try:
        return list(chain_problems(database))
    finally:
        database.close()


def test_an_untouched_record_has_no_problem(tmp_path: Path, good: bytes) -> None:
    assert problems_after(tmp_path, good, "SELECT 1") == []


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        ("UPDATE trials SET rate = rate + 1 WHERE number = 1", "does not match its hash"),
        ("UPDATE events SET text = 'x' WHERE id = 3", "does not match its hash"),
        ("UPDATE header SET profile_name = 'y'", "commit 1 does not match"),
        ("UPDATE sample_blocks SET packed = x'00' WHERE id = 2", "does not match its hash"),
        ("UPDATE chain SET wall_ns = wall_ns + 1 WHERE number = 2", "commit 2 does not match"),
        ("UPDATE trials SET valid = 0", "does not match its hash"),
        ("DELETE FROM failures", "rows instead of"),
        ("DELETE FROM chain WHERE number = 2", "commit 2 is missing"),
        ("INSERT INTO rate_points VALUES (99, 99, 1, 1.0, 1.0)", "no commit covers"),
    ],
)
def test_an_edit_is_named(tmp_path: Path, good: bytes, sql: str, told: str) -> None:
    problems = problems_after(tmp_path, good, sql)
    assert any(told in problem for problem in problems), problems


def test_one_changed_row_names_one_commit_only(tmp_path: Path, good: bytes) -> None:
    sql = "UPDATE sample_blocks SET readings = 3 WHERE id = 2"
    assert len(problems_after(tmp_path, good, sql)) == 1
