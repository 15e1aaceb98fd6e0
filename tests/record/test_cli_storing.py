"""`runs` and `export` on the command line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import typer
from record_samples import RUN_ID, begin, finished_run
from typer.testing import CliRunner

from harness.cli import storing
from harness.errors import UsageError
from harness.machine.boot import boot_id
from harness.record.owner import Owner

app = typer.Typer()
app.command("runs")(storing.runs)
app.command("export")(storing.export)


def called(*words: str) -> str:
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_runs_are_listed_for_people(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    (folder / "summary.json").write_text('{"verdict": "pass"}')
    head, line = called("runs", "--runs-dir", str(tmp_path)).splitlines()
    assert head == f"Runs in {tmp_path}"
    for words in (RUN_ID, "pass", "42.0 s", "2 trials, 1 failure"):
        assert words in line


def test_a_run_that_goes_on_and_a_damaged_one_say_so(tmp_path: Path) -> None:
    boot = boot_id()
    writer = begin(tmp_path, boot_id=boot, owner=Owner.of_this_process(boot, ()))
    (tmp_path / "20200101T000000Z-x-0000").mkdir()
    _, damaged, live = called("runs", "--runs-dir", str(tmp_path)).splitlines()
    writer.abandon()
    assert "PROBLEM" in damaged
    assert "going on" in live


def test_columns_of_runs_are_aligned(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    longer = tmp_path / f"{folder.name}-of-a-longer-name"
    shutil.copytree(folder, longer)
    (longer / "summary.json").write_text('{"verdict": "inconclusive"}')
    _, first, second = called("runs", "--runs-dir", str(tmp_path)).splitlines()
    assert first.index("42.0 s") == second.index("42.0 s")
    assert first.index("2 trials") == second.index("2 trials")


def test_no_runs_are_said(tmp_path: Path) -> None:
    assert called("runs", "--runs-dir", str(tmp_path)) == f"No runs in {tmp_path}\n"


def test_json_is_one_document_with_null_for_what_is_not_known(tmp_path: Path) -> None:
    finished_run(tmp_path)
    document = json.loads(called("runs", "--runs-dir", str(tmp_path), "--json"))
    assert document["runs_dir"] == str(tmp_path)
    (run,) = document["runs"]
    assert (run["run_id"], run["ending"], run["verdict"]) == (RUN_ID, "completed", None)
    assert run["problem"] is None


def test_a_folder_name_cannot_control_the_terminal(tmp_path: Path) -> None:
    (tmp_path / "\x1b[2J").mkdir()
    (tmp_path / "\x1b[2J" / "record.sqlite3").write_bytes(b"junk" * 1000)
    shown = called("runs", "--runs-dir", str(tmp_path))
    assert "\x1b" not in shown
    assert "\\x1b[2J" in shown


def test_export_writes_where_it_is_told_and_says_what(tmp_path: Path) -> None:
    finished_run(tmp_path)
    words = ("export", RUN_ID[:12], "--runs-dir", str(tmp_path), "--to", str(tmp_path / "csv"))
    files = json.loads(called(*words, "--json"))["files"]
    assert sorted(Path(name).name for name in files) == sorted(
        path.name for path in (tmp_path / "csv").iterdir()
    )


def test_export_writes_here_by_default(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    finished_run(tmp_path)
    monkeypatch.chdir(tmp_path)
    shown = called("export", RUN_ID, "--runs-dir", str(tmp_path))
    assert (tmp_path / f"{RUN_ID}-csv" / "samples.csv").is_file()
    assert len(shown.splitlines()) == 7


def test_an_unknown_run_is_an_expected_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        called("export", "nothing", "--runs-dir", str(tmp_path))
