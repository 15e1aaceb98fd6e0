"""The runs folder: where it is, what is listed, and which run a word means."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from record_samples import RUN_ID, begin, finished_run

from harness.clock import ManualClock
from harness.errors import UsageError
from harness.outcome import Ending
from harness.record.database import RECORD_NAME
from harness.record.listing import list_runs, new_run_id, resolve_run, runs_folder


def make_runs(folder: Path, *names: str) -> None:
    whole = (finished_run(folder / "made") / RECORD_NAME).read_bytes()
    for name in names:
        (folder / "runs" / name).mkdir(parents=True)
        (folder / "runs" / name / RECORD_NAME).write_bytes(whole)


def test_a_run_id_sorts_by_its_start_and_is_safe_as_a_name() -> None:
    wall_ns = ManualClock().wall_ns()
    made = [new_run_id(wall_ns, name) for name in ("First look", "../../x", "ü", "a" * 200, "")]
    for run_id in made:
        assert re.fullmatch(r"20260921T141320Z-[a-z0-9-]{1,40}-[0-9a-f]{4}", run_id), run_id
    assert made[0].startswith("20260921T141320Z-first-look-")
    assert new_run_id(wall_ns + 10**9, "") > max(made)


def test_two_ids_of_one_second_differ_nearly_always() -> None:
    made = {new_run_id(0, "x") for _ in range(20)}
    assert len(made) > 15  # 65536 endings; 5 collisions among 20 have a chance below 1e-15


def test_runs_are_listed_with_what_they_are(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    (folder / "summary.json").write_text(json.dumps({"verdict": "fail"}))
    (line,) = list_runs(tmp_path)
    assert (line.run_id, line.folder, line.profile_name) == (RUN_ID, folder, "sample")
    assert (line.ending, line.verdict, line.problem) == (Ending.COMPLETED, "fail", "")
    assert (line.trials, line.failures, line.boots) == (2, 1, 1)
    assert (line.duration_seconds, line.started_utc) == (42.0, "2026-09-21T14:13:20.000Z")
    assert line.size_bytes == sum(path.stat().st_size for path in folder.iterdir())


def test_a_run_that_goes_on_has_no_ending_and_no_verdict(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    (line,) = list_runs(tmp_path)
    assert (line.ending, line.ended_utc, line.verdict, line.duration_seconds) == (None,) * 4
    writer.abandon()


def test_a_damaged_run_is_listed_with_its_problem_and_hides_no_other(tmp_path: Path) -> None:
    make_runs(tmp_path, "20260101T000000Z-a-0000", "20260102T000000Z-b-0000")
    (tmp_path / "runs" / "20260101T000000Z-a-0000" / RECORD_NAME).write_bytes(b"junk" * 999)
    (tmp_path / "runs" / "20260103T000000Z-c-0000").mkdir()
    (tmp_path / "runs" / "something else").mkdir()
    (tmp_path / "runs" / "a file").write_text("")
    first, second, third = list_runs(tmp_path / "runs")
    assert "no SQLite file" in first.problem
    assert second.problem == ""
    assert "no such record" in third.problem


@pytest.mark.parametrize("content", [b"", b"[", b"[1]", b'{"verdict": 3}', b"[" * 100_000])
def test_an_odd_summary_is_no_verdict(tmp_path: Path, content: bytes) -> None:
    folder = finished_run(tmp_path)
    (folder / "summary.json").write_bytes(content)
    (line,) = list_runs(tmp_path)
    assert line.verdict is None


def test_a_folder_that_does_not_exist_holds_no_runs(tmp_path: Path) -> None:
    assert list_runs(tmp_path / "none") == ()


def test_a_run_is_found_by_id_beginning_folder_and_file(tmp_path: Path) -> None:
    make_runs(tmp_path, "20260101T000000Z-a-0000", "20260102T000000Z-b-0000")
    runs = tmp_path / "runs"
    wanted = runs / "20260102T000000Z-b-0000"
    for text in (wanted.name, "20260102", str(wanted), str(wanted / RECORD_NAME)):
        assert resolve_run(runs, text) == wanted


def test_an_id_that_begins_another_is_still_that_id(tmp_path: Path) -> None:
    make_runs(tmp_path, "20260101T000000Z-a-0000", "20260101T000000Z-a-0000b")
    assert resolve_run(tmp_path / "runs", "20260101T000000Z-a-0000").name.endswith("0000")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("2026", "beginning of 2 runs .*give more"),
        ("20270101", "is no run in"),
        ("20260102T000000Z-b-000x", "did you mean '20260102T000000Z-b-0000'"),
        ("", "a run was expected"),
        ("a\0b", "a run was expected"),
        ("..", "holds no record"),
        ("../runs", "holds no record"),
        ("/etc/passwd", "holds no record"),
    ],
)
def test_a_word_that_means_no_run_is_answered_with_what_is_near(
    tmp_path: Path, text: str, told: str
) -> None:
    make_runs(tmp_path, "20260101T000000Z-a-0000", "20260102T000000Z-b-0000")
    with pytest.raises(UsageError, match=told):
        resolve_run(tmp_path / "runs", text)


def test_an_empty_folder_says_so(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="holds none"):
        resolve_run(tmp_path, "2026")


def test_an_id_does_not_lead_out_of_the_runs_folder(tmp_path: Path) -> None:
    elsewhere = finished_run(tmp_path / "elsewhere")
    runs = tmp_path / "runs"
    runs.mkdir()
    (runs / "20260101T000000Z-link-0000").symlink_to(elsewhere)
    with pytest.raises(UsageError, match="leads out"):
        resolve_run(runs, "20260101")
    assert resolve_run(runs, str(elsewhere)) == elsewhere


def test_the_folder_is_option_then_variable_then_user_data(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RIGPROOF_RUNS_DIR", str(tmp_path / "named"))
    assert runs_folder(tmp_path) == tmp_path
    assert runs_folder(None) == tmp_path / "named"
    monkeypatch.delenv("RIGPROOF_RUNS_DIR")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert runs_folder(None).name == "runs"
