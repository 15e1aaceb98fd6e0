"""`watch` without a terminal: one line an event, times written as the run itself writes them."""

from __future__ import annotations

import re
from pathlib import Path

import typer
from typer.testing import CliRunner

from harness.cli import watching
from tests.record.record_samples import RUN_ID, finished_run

app = typer.Typer()
app.command("watch")(watching.watch)


def test_events_and_the_state_are_plain_lines_with_times_on_the_runs_axis(tmp_path: Path) -> None:
    finished_run(tmp_path)
    words = [RUN_ID, "--once", "--runs-dir", str(tmp_path)]
    result = CliRunner().invoke(app, words, catch_exceptions=False)
    *events, state = result.stdout.splitlines()
    assert "[0:00:01.0] load started: dense all (all lanes)" in events
    assert "[0:00:01.8] trial 1 of dense all: 6.400 GFLOP/s" in events
    assert all(re.match(r"\[\d+:\d\d:\d\d\.\d\] ", line) for line in events)
    assert state == f"{RUN_ID}: completed, 0:00:42.0 measured, 2 trials, 1 failure"
