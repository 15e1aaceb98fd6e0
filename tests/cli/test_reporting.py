"""`judge` on the command line: whose criteria were used stands in the closing line."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from harness.cli import reporting
from harness.outcome import Ending
from tests.record.record_samples import RUN_ID, begin, load, trial

PROFILE = """\
name: {name}
purpose: judge again
loads:
  - name: {load}
    workload: sieve
    trials: 2
accept:
  - criterion: no-failures
"""
app = typer.Typer()
app.command("judge")(reporting.judge)
app.command("report")(reporting.report)


def called(*words: str) -> tuple[int, list[str]]:
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    return result.exit_code, result.stdout.splitlines()


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    """A folder with one sealed run, and a stricter profile beside it."""
    text = PROFILE.format(name="sample", load=load().name)
    writer = begin(tmp_path / "runs", profile_text=text)
    writer.put(load(workload="sieve"))
    for number in (1, 2):
        writer.put(trial(number, workload="sieve"))
    writer.seal(Ending.COMPLETED, "all done")
    (tmp_path / "other.yaml").write_text(PROFILE.format(name="stricter", load="grind"), "utf-8")
    return tmp_path / "runs"


def test_the_closing_line_names_the_profile_that_judged(runs: Path) -> None:
    other = str(runs.parent / "other.yaml")
    code, lines = called("judge", RUN_ID, "--profile", other, "--runs-dir", str(runs))
    assert code == 3, lines
    head, _, path = lines[-1].partition(": ")
    assert head == "report, judged by the criteria of stricter"
    assert Path(path).is_file()
    assert Path(path).is_relative_to(runs / RUN_ID / "judgements")
    assert any("judged by the criteria of stricter, not by those" in line for line in lines[:-1])


def test_a_run_judged_by_its_own_criteria_needs_no_name(runs: Path) -> None:
    code, lines = called("judge", RUN_ID, "--runs-dir", str(runs))
    assert code == 0, lines
    assert lines[-1] == f"report: {runs / RUN_ID / 'report.html'}"
