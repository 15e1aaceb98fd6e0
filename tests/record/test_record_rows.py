"""Rows and results: every result comes back as it went in, and a row is what SQLite stores."""

from __future__ import annotations

import dataclasses
import json
import math
import sqlite3
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_samples import EVENT, FAILURE, HOT, STOP, lane, load, soak, trial

from harness.outcome import Ending
from harness.record import rows as shapes
from harness.record.database import schema_statements, table_columns
from harness.record.rows import DamagedRow, Shape, clean_text, from_row, to_json, to_row
from harness.results import Boot, Event, EventKind, Failure, FailureKind, LaneTrial, TrialData

real = st.floats(allow_nan=False, allow_infinity=True, allow_subnormal=True)
finite = st.floats(allow_nan=False, allow_infinity=False)
whole = st.integers(-(2**63), 2**63 - 1)
text = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | finite | text,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(text, inner, max_size=3),
    max_leaves=6,
)

SHAPES: tuple[tuple[Shape[Any], dict[str, object]], ...] = (
    (shapes.FAILURES, {}),
    (shapes.EVENTS, {}),
    (shapes.BOOTS, {}),
    (shapes.CHANNELS, {"number": 3}),
    (shapes.SAFETY_STOPS, {}),
    (shapes.LOADS, {}),
    (shapes.TRIALS, {}),
    (shapes.SOAKS, {"step_skew_median_seconds": 0.1, "step_skew_largest_seconds": None}),
    (shapes.LANES, {"trial_id": 1, "soak_id": None}),
)

_CONNECTION = sqlite3.connect(":memory:", check_same_thread=False)
_CONNECTION.executescript("\n".join(schema_statements()))


def stored(table: str, row: tuple[Any, ...]) -> tuple[Any, ...]:
    """The row as SQLite gives it back, and away with it."""
    marks = ", ".join("?" * (len(row) + 1))
    _CONNECTION.execute(f"INSERT INTO {table} VALUES ({marks})", (1, *row))  # noqa: S608
    (found,) = _CONNECTION.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608
    _CONNECTION.rollback()
    return tuple(found)


def through_sqlite(shape: Shape[Any], item: Any, more: dict[str, object], apart: Any = None) -> Any:
    row = to_row(shape.table, shape.values(item, **more) | {"link": 1})
    found = stored(shape.table, row)
    assert repr(found) == repr((1, *row)), "the hash chain hashes the row as it was written"
    return shape.build(from_row(shape.table, found), **(apart or {}))


@given(
    st.builds(
        LaneTrial,
        lane=whole,
        cpu=st.none() | whole,
        passes=whole,
        work=real,
        seconds=real,
        pass_mean_seconds=real,
        pass_p10_seconds=real,
        verified=whole,
        run_delay_seconds=st.none() | real,
        involuntary_switches=st.none() | whole,
        major_faults=st.none() | whole,
        clock_hz=st.none() | real,
        readings=st.dictionaries(text, finite, max_size=3),
    )
)
def test_any_lane_comes_back_as_it_went_in(item: LaneTrial) -> None:
    more: dict[str, object] = {"trial_id": None, "soak_id": None}
    row = to_row("lanes", shapes.LANES.values(item, **more) | {"link": 1})
    assert shapes.LANES.build(from_row("lanes", (1, *row))) == item


@given(
    st.builds(
        Event,
        kind=st.sampled_from(EventKind),
        at_seconds=finite,
        text=text,
        data=st.dictionaries(text, json_values, max_size=4),
    )
)
def test_any_event_comes_back_as_it_went_in(item: Event) -> None:
    assert through_sqlite(shapes.EVENTS, item, {}) == item


@given(
    st.builds(
        Failure,
        kind=st.sampled_from(FailureKind),
        workload=st.none() | text,
        lane=st.none() | whole,
        core=st.none() | whole,
        at_seconds=finite,
        detail=text,
    )
)
def test_any_failure_comes_back_as_it_went_in(item: Failure) -> None:
    assert through_sqlite(shapes.FAILURES, item, {}) == item


def test_every_other_result_comes_back_as_it_went_in() -> None:
    boot = Boot(1, "id", "2026-01-01T00:00:00.000Z", 0.0, None)
    for shape, item, more in (
        (shapes.BOOTS, boot, {}),
        (shapes.BOOTS, dataclasses.replace(boot, cold=False, ended_seconds=4.0), {}),
        (shapes.CHANNELS, HOT, {"number": 3}),
        (shapes.SAFETY_STOPS, STOP, {}),
        (shapes.LOADS, load(), {}),
        (shapes.LOADS, load(passes={}, golden=None, work_per_pass=None, available=False), {}),
        (shapes.FAILURES, FAILURE, {}),
        (shapes.EVENTS, EVENT, {}),
    ):
        assert through_sqlite(shape, item, more) == item
    lanes = {"lanes": (lane(0), lane(1))}
    assert through_sqlite(shapes.TRIALS, trial(), {}, lanes) == trial()
    more = {"step_skew_median_seconds": 0.001, "step_skew_largest_seconds": 0.004}
    apart = {name: getattr(soak(), name) for name in ("lanes", "step_skew_seconds", "rate_points")}
    assert through_sqlite(shapes.SOAKS, soak(), more, apart) == soak()


@pytest.mark.parametrize(("shape", "more"), SHAPES, ids=lambda part: getattr(part, "table", ""))
def test_every_field_has_a_column_and_every_column_a_field(
    shape: Shape[Any], more: dict[str, object]
) -> None:
    # A field added to a result must be added to schema.sql too, or be named in `apart`.
    fields = {field.name for field in dataclasses.fields(shape.kind)} - shape.apart
    columns = {shape.columns.get(name, name) for name in fields} | set(more) | {"id", "link"}
    assert columns == {column.name for column in table_columns(shape.table)}


def test_a_rate_that_is_not_a_number_is_null_and_comes_back_as_nan() -> None:
    back = through_sqlite(shapes.TRIALS, trial(rate=math.nan), {}, {"lanes": ()})
    assert isinstance(back, TrialData)
    assert math.isnan(back.rate)


def test_negative_zero_is_stored_as_sqlite_stores_it() -> None:
    back = through_sqlite(shapes.TRIALS, trial(rate=-0.0), {}, {"lanes": ()})
    assert math.copysign(1.0, back.rate) == 1.0


def test_what_other_programs_print_is_kept_readable() -> None:
    broken = b"caf\xe9".decode("utf-8", "surrogateescape")
    assert clean_text(broken) == "caf\\udce9"
    assert through_sqlite(shapes.FAILURES, dataclasses.replace(FAILURE, detail=broken), {})
    assert json.loads(to_json({broken: [broken]})) == {"caf\\udce9": ["caf\\udce9"]}


def test_json_takes_the_values_that_results_carry() -> None:
    given = {
        "path": Path("/x"),
        "kind": Ending.CRASHED,
        "tuple": (1, 2),
        "numpy": np.float64(1.5),
        "count": np.int64(3),
        "nan": math.nan,
        "infinite": math.inf,
        3: {"deep": np.bool_(True)},
        "other": sys.version_info[:1],
    }
    assert json.loads(to_json(given)) == {
        "path": "/x",
        "kind": "crashed",
        "tuple": [1, 2],
        "numpy": 1.5,
        "count": 3,
        "nan": None,
        "infinite": None,
        "3": {"deep": True},
        "other": [3],
    }


def test_an_integer_of_more_than_64_bits_is_refused_by_name() -> None:
    with pytest.raises(OverflowError, match="passes"):
        to_row(
            "lanes",
            shapes.LANES.values(lane(passes=2**63), trial_id=1, soak_id=None) | {"link": 1},
        )


@pytest.mark.parametrize(
    ("place", "value", "told"),
    [
        (1, "one", "link holds str instead of INTEGER"),
        (2, None, "kind holds NoneType instead of TEXT"),
        (5, "{", "data_json is no JSON"),
        (5, "[" * 100_000, "data_json is no JSON"),
    ],
)
def test_a_row_with_foreign_values_is_damaged(place: int, value: object, told: str) -> None:
    row: list[Any] = [1, 1, "note", 0.0, "text", "{}"]
    row[place] = value
    with pytest.raises(DamagedRow, match=told):
        from_row("events", row)


@pytest.mark.parametrize(
    ("changes", "told"),
    [({"kind": "no kind"}, "events"), ({"data_json": [1]}, "object was expected")],
)
def test_values_outside_what_a_field_may_be_are_damaged(changes: dict[str, Any], told: str) -> None:
    row = {"kind": "note", "at_seconds": 0.0, "text": "", "data_json": {}} | changes
    with pytest.raises(DamagedRow, match=told):
        shapes.EVENTS.build(row)
