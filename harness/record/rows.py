"""Results to rows and back: which field stands in which column, in one place for both ways."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Generic, TypeVar

from harness.record.chain import Row, Value
from harness.record.database import Column, table_columns
from harness.results import (
    Boot,
    Channel,
    Event,
    EventKind,
    Failure,
    FailureKind,
    LaneTrial,
    LoadInfo,
    SafetyStop,
    SoakData,
    TrialData,
)

T = TypeVar("T")
Decoder = Callable[[Any], Any]


class DamagedRow(ValueError):
    """A row whose values are not what its table declares."""


def to_json(value: object) -> str:
    """One JSON text: StrEnum, Path, tuples and numpy scalars as one expects, NaN as null."""
    return json.dumps(_plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _plain(value: object) -> object:
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, (str, Path)):
        return clean_text(str(value))
    if isinstance(value, Mapping):
        return {clean_text(str(key)): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    return _plain_number(value)


def _plain_number(value: object) -> object:
    if isinstance(value, (int, float)):
        return value if math.isfinite(value) else None
    item = getattr(value, "item", None)  # a numpy scalar
    return _plain(item()) if callable(item) else clean_text(str(value))


def clean_text(text: str) -> str:
    """`text` with lone surrogates (undecodable file names, broken output) written as escapes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def to_row(table: str, values: Mapping[str, object]) -> tuple[Value, ...]:
    """`values` by column name as a row of `table` in schema order, each in its declared type.

    NaN becomes NULL. Raises KeyError for a column that is missing, TypeError, ValueError or
    OverflowError for a value that has no place in it.
    """
    columns = [column for column in table_columns(table) if column.name != "id"]
    return tuple(_to_column(column.name, column.kind, values[column.name]) for column in columns)


def _to_column(name: str, kind: str, value: Any) -> Value:
    if name.endswith("_json"):
        return to_json(value)
    if value is None:
        return None
    if kind == "REAL":
        number = float(value)
        # SQLite has no NaN and no negative zero; the hash chain needs the value as it is stored.
        return None if math.isnan(number) else number + 0.0
    if kind == "INTEGER":
        return _int64(name, int(value))
    return clean_text(str(value)) if kind == "TEXT" else bytes(value)


def _int64(name: str, number: int) -> int:
    if not -(1 << 63) <= number < 1 << 63:
        raise OverflowError(f"{name} is {number}: a record holds integers of 64 bits")
    return number


_PYTHON_TYPES = {"REAL": float, "INTEGER": int, "TEXT": str, "BLOB": bytes}


def from_row(table: str, row: Row) -> dict[str, Any]:
    """A stored row by column name, JSON columns decoded. Raises DamagedRow."""
    columns = table_columns(table)
    if len(row) != len(columns):
        raise DamagedRow(f"{len(row)} values instead of {len(columns)}")
    return {
        column.name: _from_column(column, value) for column, value in zip(columns, row, strict=True)
    }


def _from_column(column: Column, value: Value) -> Any:
    if value is None and not column.required:
        return None
    if not isinstance(value, _PYTHON_TYPES[column.kind]):
        raise DamagedRow(f"{column.name} holds {type(value).__name__} instead of {column.kind}")
    if not column.name.endswith("_json"):
        return value
    try:
        return json.loads(str(value))
    except (ValueError, RecursionError) as error:
        raise DamagedRow(f"{column.name} is no JSON") from error


@dataclass(frozen=True)
class Shape(Generic[T]):
    """How one dataclass lies in one table.

    `columns` names the column of a field where it is not the field's own name, `decode` what
    makes a field's value from the column's, `apart` the fields that other tables hold.
    """

    table: str
    kind: type[T]
    columns: Mapping[str, str] = field(default_factory=dict)
    decode: Mapping[str, Decoder] = field(default_factory=dict)
    apart: frozenset[str] = frozenset()

    def values(self, item: T, **more: object) -> dict[str, object]:
        """`item` by column name; `more` are columns that the dataclass does not have."""
        own = {self._column(name): getattr(item, name) for name in self._fields()}
        return own | more

    def build(self, row: Mapping[str, Any], **more: Any) -> T:
        """The dataclass from a row by column name; `more` gives the fields held elsewhere.

        Raises DamagedRow when a value is outside what the field may be.
        """
        try:
            own = {name: self._decoded(name, row[self._column(name)]) for name in self._fields()}
        except (ValueError, TypeError, AttributeError) as error:
            raise DamagedRow(f"{self.table}: {error}") from error
        return self.kind(**own, **more)

    def _fields(self) -> list[str]:
        names = [item.name for item in fields(self.kind)]  # type: ignore[arg-type]
        return [name for name in names if name not in self.apart]

    def _column(self, name: str) -> str:
        return self.columns.get(name, name)

    def _decoded(self, name: str, value: Any) -> Any:
        if name in self.decode:
            return self.decode[name](value)
        return value


def _flag(value: Any) -> bool | None:
    return None if value is None else bool(value)


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _mapping(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise DamagedRow(f"a JSON object was expected, not {type(value).__name__}")
    return value


def _int_keys(value: Any) -> dict[int, int]:
    return {int(key): int(item) for key, item in _mapping(value).items()}


def _numbers(value: Any) -> dict[str, float]:
    return {key: _number(item) for key, item in _mapping(value).items()}


def _texts(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise DamagedRow(f"a JSON list was expected, not {type(value).__name__}")
    return tuple(str(item) for item in value)


FAILURES = Shape("failures", Failure, decode={"kind": FailureKind})
EVENTS = Shape(
    "events",
    Event,
    columns={"data": "data_json"},
    decode={"kind": EventKind, "data": _mapping},
)
BOOTS = Shape("boots", Boot, decode={"cold": _flag})
CHANNELS = Shape("channels", Channel, decode={"counter": bool})
SAFETY_STOPS = Shape("safety_stops", SafetyStop, columns={"limit": "limit_value"})
LOADS = Shape(
    "loads",
    LoadInfo,
    columns={"check": "check_name", "parameters": "parameters_json", "passes": "passes_json"},
    decode={
        "parameters": _mapping,
        "passes": _int_keys,
        "lower_is_better": bool,
        "available": bool,
    },
)
TRIALS = Shape(
    "trials",
    TrialData,
    columns={"causes": "causes_json"},
    decode={"causes": _texts, "valid": bool, "rate": _number, "capability_rate": _number},
    apart=frozenset({"lanes"}),
)
SOAKS = Shape(
    "soaks",
    SoakData,
    decode={"complete": bool},
    apart=frozenset({"lanes", "step_skew_seconds", "rate_points"}),
)
LANES = Shape(
    "lanes",
    LaneTrial,
    columns={"readings": "readings_json"},
    decode={
        "readings": _numbers,
        "work": _number,
        "seconds": _number,
        "pass_mean_seconds": _number,
        "pass_p10_seconds": _number,
    },
)
