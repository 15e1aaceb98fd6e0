"""CSV for spreadsheets: complete, typed by column, and harmless to open."""

from __future__ import annotations

import csv
import dataclasses
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_samples import FAILURE, HOT, begin, finished_run, load, readings, soak, trial

from harness.cli.storing import disturbances
from harness.errors import RecordError, StorageError
from harness.judgement.causes import Causes
from harness.outcome import Ending
from harness.record.export import export_run, safe_cell
from harness.record.reader import read_run
from tests.packing import packed


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_every_table_is_written(tmp_path: Path) -> None:
    written = export_run(finished_run(tmp_path), tmp_path / "csv")
    counts = {path.stem: len(rows_of(path)) for path in written}
    assert counts == {
        "trials": 2,
        "lanes": 5,
        "soaks": 1,
        "rates": 2,
        "events": 4,
        "failures": 1,
        "samples": 20,
    }


def test_a_trials_causes_are_those_that_the_report_shows(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    delayed = dataclasses.replace(trial().lanes[0], run_delay_seconds=0.5, seconds=1.0)
    writer.put(trial(1, lanes=(delayed,), causes=()))
    writer.seal(Ending.COMPLETED, "")
    export_run(writer.folder, tmp_path / "csv", disturbances)
    (told,) = rows_of(tmp_path / "csv" / "trials.csv")
    data = read_run(writer.folder)
    assert told["causes"] == "; ".join(Causes(data).of(data.trials[0]))
    assert "run delay 50" in told["causes"]


def test_values_carry_their_unit_and_come_back_exactly(tmp_path: Path) -> None:
    export_run(finished_run(tmp_path), tmp_path)
    first = rows_of(tmp_path / "trials.csv")[0]
    assert (float(first["rate_per_second"]), first["unit"]) == (trial().rate, "flop")
    sample = rows_of(tmp_path / "samples.csv")[0]
    assert (sample["channel"], sample["unit"], sample["value"]) == (HOT.key, "°C", "70.0")
    lane = rows_of(tmp_path / "lanes.csv")[0]
    assert (lane["of"], lane["verified"], lane["clock_hz"]) == ("trial", "40", "3650000000.0")


def test_what_was_not_measured_is_an_empty_cell_with_its_reason(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    writer.put(HOT)
    writer.put(trial(1, rate=math.nan, valid=False))
    writer.put_sweeps(packed(readings(0.0, None)))
    writer.seal(Ending.ERROR, "")
    export_run(writer.folder, tmp_path)
    (told,) = rows_of(tmp_path / "trials.csv")
    assert (told["rate_per_second"], told["valid"]) == ("", "false")
    sample = rows_of(tmp_path / "samples.csv")[0]
    assert (sample["value"], sample["reason"]) == ("", "EIO: input/output error")


def test_no_text_of_a_record_starts_a_formula(tmp_path: Path) -> None:
    attack = '=HYPERLINK("http://example.invalid","x")'
    writer = begin(tmp_path)
    writer.put(dataclasses.replace(HOT, name="@SUM(1+9)"))
    writer.put(dataclasses.replace(FAILURE, detail=attack))
    writer.put(load(unit="+1"))
    writer.put(trial(1, causes=("-2",)))
    writer.put(soak())
    writer.put("\t=1")
    writer.put_sweeps(packed(readings(0.0)))
    writer.seal(Ending.COMPLETED, "")
    for path in export_run(writer.folder, tmp_path / "csv"):
        for row in rows_of(path):
            for name, cell in row.items():
                if cell[:1] in "=+-@\t\r" and cell:
                    assert name in {"at_seconds", "value"}
                    float(cell)
    assert rows_of(tmp_path / "csv" / "failures.csv")[0]["detail"] == f"'{attack}"


@given(st.text(max_size=20))
def test_any_text_starts_with_no_sign_of_a_formula(text: str) -> None:
    cell = safe_cell(text)
    assert isinstance(cell, str)
    assert cell.lstrip(" ")[:1] not in set("=+-@\t\r\n")
    assert cell in (text, f"'{text}")


@given(st.floats(allow_nan=False) | st.integers())
def test_any_number_stays_that_number(value: float) -> None:
    assert type(value)(safe_cell(value)) == value  # type: ignore[arg-type]


def test_existing_files_are_not_replaced(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    export_run(folder, tmp_path / "csv")
    with pytest.raises(StorageError, match="exists already: choose another folder"):
        export_run(folder, tmp_path / "csv")


def test_a_folder_that_cannot_be_written_is_one_clear_error(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match="not written"):
        export_run(folder, tmp_path / "file" / "below")


def test_no_record_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no such record"):
        export_run(tmp_path, tmp_path / "csv")
