"""What a run takes over from earlier ones: the same work, and looks at its baseline."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness import context
from harness.errors import RecordError
from harness.outcome import Ending
from harness.record import listing, reader
from harness.record.reader import Outline

RUNS = Path("runs")
BASE = "base-run"
AGAINST_IT: dict[str, Any] = {"baseline": {"run_ids": ["other-run", BASE]}}


def test_every_run_that_was_judged_may_have_been_a_look_however_it_ended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Only a run that goes on after a restart has not been judged; a record that cannot be read
    tells nothing."""
    endings: dict[str, Ending | None] = {ending.value: ending for ending in Ending}
    endings |= {"crashed": None, "broken": None, "broken behind": None}

    def glimpse(folder: Path) -> Outline:
        if folder.name == "broken":
            raise RecordError("not a record", path=folder)
        return Outline(endings[folder.name], "", AGAINST_IT)

    def read(folder: Path) -> str:
        if folder.name == "broken behind":
            raise RecordError("damaged further on", path=folder)
        return folder.name

    monkeypatch.setattr(listing, "run_folders", lambda _: [RUNS / name for name in endings])
    monkeypatch.setattr(reader, "read_outline", glimpse)
    monkeypatch.setattr(reader, "read_run", read)
    found = [str(run) for run in context.runs_judged(RUNS, {BASE})]
    expected = {ending.value for ending in Ending} - {Ending.AWAITING_BOOT.value} | {"crashed"}
    assert set(found) == expected
    assert {"interrupted", "safety stop"} <= expected


def test_only_records_that_were_judged_against_the_baseline_are_read_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A folder of hundreds of long records must not hold the start of a re-qualification up."""
    contexts: dict[str, dict[str, Any]] = {
        "none": {},
        "without": {"baseline": None},
        "another": {"baseline": {"run_ids": ["other-run"]}},
        "against it": AGAINST_IT,
    }
    monkeypatch.setattr(listing, "run_folders", lambda _: [RUNS / name for name in contexts])
    monkeypatch.setattr(
        reader, "read_outline", lambda folder: Outline(Ending.COMPLETED, "", contexts[folder.name])
    )
    monkeypatch.setattr(reader, "read_run", lambda folder: folder.name)
    assert [str(run) for run in context.runs_judged(RUNS, {BASE})] == ["against it"]


def test_only_whole_completed_runs_of_the_profile_are_alike_and_no_others_are_read_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    facts = {"identity": {"key": "m1"}, "allowed_cpus": "0-1"}
    outlines = {
        "1 alike": Outline(Ending.COMPLETED, "ours", {}),
        "2 other profile": Outline(Ending.COMPLETED, "theirs", {}),
        "3 interrupted": Outline(Ending.INTERRUPTED, "ours", {}),
        "4 other machine": Outline(Ending.COMPLETED, "ours", {}),
        "5 damaged": Outline(Ending.COMPLETED, "ours", {}),
        "6 alike": Outline(Ending.COMPLETED, "ours", {}),
    }
    read_whole: list[str] = []

    def read(folder: Path) -> SimpleNamespace:
        read_whole.append(folder.name)
        key = "m2" if folder.name == "4 other machine" else "m1"
        banners = ("DAMAGED: a table",) if folder.name == "5 damaged" else ()
        return SimpleNamespace(
            name=folder.name, banners=banners, facts=facts | {"identity": {"key": key}}
        )

    monkeypatch.setattr(listing, "run_folders", lambda _: [RUNS / name for name in outlines])
    monkeypatch.setattr(reader, "read_outline", lambda folder: outlines[folder.name])
    monkeypatch.setattr(reader, "read_run", read)
    found: list[Any] = list(context.runs_alike("ours", facts, RUNS))
    assert [run.name for run in found] == ["6 alike", "1 alike"]
    assert read_whole == ["6 alike", "5 damaged", "4 other machine", "1 alike"]
