"""What a run takes over from earlier ones: which of them were looks at its baseline."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import context
from harness.errors import RecordError
from harness.outcome import Ending
from harness.record import listing, reader
from harness.record.listing import RunLine

RUNS = Path("runs")


def test_every_run_that_was_judged_may_have_been_a_look_however_it_ended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Only a run that goes on after a restart has not been judged; a record that cannot be read
    tells nothing."""
    lines = [RunLine(ending.value, RUNS / ending.value, ending=ending) for ending in Ending]
    lines += [RunLine("crashed", RUNS / "crashed"), RunLine("broken", RUNS / "broken")]

    def read(folder: Path) -> str:
        if folder.name == "broken":
            raise RecordError("not a record", path=folder)
        return folder.name

    monkeypatch.setattr(listing, "list_runs", lambda runs_dir: tuple(lines))
    monkeypatch.setattr(reader, "read_run", read)
    found = [str(run) for run in context.runs_judged(RUNS)]
    expected = {ending.value for ending in Ending} - {Ending.AWAITING_BOOT.value} | {"crashed"}
    assert set(found) == expected
    assert {"interrupted", "safety stop"} <= expected
