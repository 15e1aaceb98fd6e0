"""Values typed in by hand: scores from any other source get the same treatment.

The file is CSV (RFC 4180) with a header, ``workload,value,unit,better`` and optionally ``boot``;
one trial a line, `better` is ``higher`` or ``lower``. It is untrusted input.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.errors import UsageError, nearest
from harness.judgement.sides import Side, SideLoad

COLUMNS = ("workload", "value", "unit", "better")
OPTIONAL = ("boot",)
MAXIMUM_BYTES = 10_000_000
_BETTER = {"higher": False, "lower": True}


@dataclass(frozen=True)
class _Trial:
    """One line of the file."""

    line: int
    workload: str
    value: float
    unit: str
    lower_is_better: bool
    boot: str


def read_typed_values(path: Path) -> Side:
    """The side that a CSV file describes. Raises UsageError naming the line and the rule."""
    try:
        with path.open("rb") as file:
            raw = file.read(MAXIMUM_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror or error})") from None
    if len(raw) > MAXIMUM_BYTES:
        raise UsageError(f"{path}: larger than {MAXIMUM_BYTES // 10**6} MB of typed values")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: not UTF-8 text (byte {error.start}): save it so") from None
    return side_from_csv(text, str(path))


def side_from_csv(text: str, source: str) -> Side:
    """The side that CSV `text` describes; `source` stands for the file in errors."""
    try:
        trials = list(_trials(text, source))
    except csv.Error as error:
        raise UsageError(f"{source}: not valid CSV ({error})") from None
    if not trials:
        raise UsageError(f"{source}: holds no trial: one line for each value after the header")
    return _side(trials, source)


def _trials(text: str, source: str) -> Iterator[_Trial]:
    reader = csv.reader(text.splitlines(), strict=True)
    header = [cell.strip().lower() for cell in next(reader, [])]
    _check_header(header, source)
    for row in reader:
        if any(cell.strip() for cell in row):
            yield _trial(header, row, f"{source}:{reader.line_num}: ", reader.line_num)


def _check_header(header: Sequence[str], source: str) -> None:
    known = [*COLUMNS, *OPTIONAL]
    for column in header:
        if column not in known:
            raise UsageError(f"{source}:1: unknown column '{column}'; {nearest(column, known)}")
    missing = [column for column in COLUMNS if column not in header]
    if missing or len(set(header)) != len(header):
        what = f"lacks {', '.join(missing)}" if missing else "names a column twice"
        raise UsageError(f"{source}:1: the header {what}: it must be {','.join(COLUMNS)}[,boot]")


def _trial(header: Sequence[str], row: Sequence[str], place: str, line: int) -> _Trial:
    if len(row) != len(header):
        raise UsageError(f"{place}received {len(row)} columns, the header has {len(header)}")
    cells = dict(zip(header, (cell.strip() for cell in row), strict=True))
    for column in (*COLUMNS, *(name for name in OPTIONAL if name in cells)):
        if not cells[column]:
            raise UsageError(f"{place}{column} is empty: every line is one whole trial")
    if cells["better"] not in _BETTER:
        raise UsageError(f"{place}better is '{cells['better']}': must be higher or lower")
    return _Trial(
        line,
        cells["workload"],
        _number(cells["value"], place),
        cells["unit"],
        _BETTER[cells["better"]],
        cells.get("boot", ""),
    )


def _number(text: str, place: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise UsageError(f"{place}value is '{text}': must be a number without its unit") from None
    if not math.isfinite(value) or value <= 0:
        raise UsageError(f"{place}value is {text}: must be above 0, a ratio is taken of it")
    return value


def _side(trials: Sequence[_Trial], source: str) -> Side:
    by_name: dict[str, list[_Trial]] = {}
    for trial in trials:
        by_name.setdefault(trial.workload, []).append(trial)
    told = any(trial.boot for trial in trials)
    boots = dict.fromkeys(trial.boot for trial in trials)
    return Side(
        source=source,
        loads=tuple(_load(own, source) for own in by_name.values()),
        boot_ids=tuple(f"{source}: {boot}" for boot in boots) if told else (),
        boots_told=told,
    )


def _load(trials: Sequence[_Trial], source: str) -> SideLoad:
    first = trials[0]
    for trial in trials:
        if (trial.unit, trial.lower_is_better) != (first.unit, first.lower_is_better):
            raise UsageError(
                f"{source}:{trial.line}: unit or better of '{trial.workload}' differs from line "
                f"{first.line}: one workload has one of each"
            )
    grouped: dict[str, list[float]] = {}
    for trial in trials:
        grouped.setdefault(trial.boot, []).append(trial.value)
    values = tuple(tuple(boot) for boot in grouped.values())
    return SideLoad(first.workload, first.unit, first.lower_is_better, values, values)
