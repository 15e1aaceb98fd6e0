"""What the next command makes of runs that were left: closed, judged, reported, and nothing else.

Oracle: the files in the run's folder and the situation that each test builds.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from harness.clock import SYSTEM
from harness.finishing import REPORT_NAMES
from harness.outcome import Ending
from harness.record.header import RunHeader
from harness.record.owner import Owner
from harness.record.progress import progress
from harness.record.verify import verify_run
from harness.record.writer import RecordWriter
from harness.recovery import close_and_report
from harness.results import Event, EventKind

PROFILE = """
format: 1
name: left
loads:
  - {workload: zstandard, trials: 3}
accept:
  - {criterion: no-failures}
  - {criterion: no-crash}
"""
GONE = Owner(4_000_000, "ticks 1", "boot-a", ("rigproof", "run"), "")
LOADED = Event(EventKind.LOAD_STARTED, 0.5, "zstandard", {"load": 0, "name": "z", "cpus": [0]})


def begin(runs_dir: Path, name: str = "20260101T000000Z-left-0000", **more: Any) -> RecordWriter:
    values: dict[str, Any] = {
        "run_id": name,
        "created_wall_ns": SYSTEM.wall_ns(),
        "utc_offset_minutes": 0,
        "boot_id": "boot-a",
        "profile_text": PROFILE,
        "profile_name": "left",
        "profile_sha256": "",
        "settings": {},
        "facts": {},
        "versions": {},
        "context": {},
        "partial": False,
        "owner": GONE,
    }
    return RecordWriter.create(runs_dir / name, RunHeader(**{**values, **more}), SYSTEM)


def killed(writer: RecordWriter) -> Path:
    writer.put(LOADED)
    writer.flush()
    writer.abandon()
    return writer.folder


def root_with(place: Path, boot_id: str) -> Path:
    file = place / "proc/sys/kernel/random/boot_id"
    file.parent.mkdir(parents=True)
    file.write_text(f"{boot_id}\n")
    return place


def has_reports(folder: Path) -> bool:
    return all((folder / name).is_file() for name in REPORT_NAMES)


@pytest.mark.parametrize(
    ("boot_id", "cause"), [("boot-a", "was killed"), ("boot-b", "the machine restarted")]
)
def test_a_lost_run_is_explained_and_reported(
    tmp_path: Path, runs_dir: Path, boot_id: str, cause: str
) -> None:
    folder = killed(begin(runs_dir))
    lines = close_and_report(runs_dir, root_with(tmp_path / "root", boot_id))
    assert cause in lines[0]
    assert "judged and reported in" in lines[1]
    assert has_reports(folder)
    assert progress(folder).end.ending is Ending.CRASHED
    assert verify_run(folder) == ()
    assert close_and_report(runs_dir, tmp_path / "root") == []


def test_a_run_whose_report_was_never_written_gets_one(runs_dir: Path) -> None:
    writer = begin(runs_dir)
    writer.put(LOADED)
    writer.seal(Ending.COMPLETED, "everything planned was done")
    (writer.folder / "report.html").write_text("half a set")
    lines = close_and_report(runs_dir)
    assert "its report was not written" in lines[0]
    assert has_reports(writer.folder)
    assert verify_run(writer.folder) == ()
    assert close_and_report(runs_dir) == []


def test_a_run_that_goes_on_is_left_alone_whatever_boot_id_its_tree_shows(
    tmp_path: Path, runs_dir: Path
) -> None:
    """Under --sysfs-root a run's boot id is not the machine's, and the other way round."""
    me = Owner.of_this_process("boot-of-a-tree", ())
    writer = begin(runs_dir, owner=me, boot_id="boot-of-a-tree")
    try:
        assert close_and_report(runs_dir) == []
        assert close_and_report(runs_dir, root_with(tmp_path / "root", "boot-b")) == []
        assert progress(writer.folder).end.ending is None
    finally:
        writer.seal(Ending.COMPLETED, "")


def test_one_damaged_run_stops_no_other(runs_dir: Path) -> None:
    first = killed(begin(runs_dir, "20260101T000000Z-left-0001"))
    second = killed(begin(runs_dir, "20260101T000000Z-left-0002"))
    record = first / "record.sqlite3"
    with record.open("r+b") as file:
        file.truncate(3000)
    for log in first.glob("record.sqlite3-*"):
        log.unlink()
    lines = close_and_report(runs_dir)
    assert any(second.name in line for line in lines)
    assert has_reports(second)
    assert not has_reports(first)


def test_a_run_without_a_usable_profile_is_closed_and_the_trouble_is_said(runs_dir: Path) -> None:
    folder = killed(begin(runs_dir, profile_text="name: [never finished"))
    lines = close_and_report(runs_dir)
    assert "could not be reported" in lines[1]
    assert progress(folder).end.ending is Ending.CRASHED


def test_a_folder_that_cannot_be_written_is_said(runs_dir: Path) -> None:
    folder = killed(begin(runs_dir))
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        pytest.skip("root may write into a read-only folder")
    folder.chmod(0o500)
    try:
        lines = close_and_report(runs_dir)
    finally:
        folder.chmod(0o700)
    assert folder.name in lines[0]
    assert not has_reports(folder)


def test_without_runs_there_is_nothing_to_say(tmp_path: Path) -> None:
    assert close_and_report(tmp_path / "nothing") == []


def test_a_bug_in_judging_one_run_stops_no_command(
    runs_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_: object) -> None:
        raise ZeroDivisionError("division by zero")

    folder = killed(begin(runs_dir))
    monkeypatch.setattr("harness.finishing.conclude", broken)
    lines = close_and_report(runs_dir)
    assert "a bug: ZeroDivisionError: division by zero" in lines[1]
    assert f"`rigproof report {folder.name}`" in lines[1]
