"""What the next command makes of runs that were left: closed, judged, reported, and nothing else.

Oracle: the files in the run's folder and the situation that each test builds.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from harness.clock import SYSTEM
from harness.finishing import REPORT_NAMES
from harness.machine.boot import boot_id, kernel_boot_id
from harness.outcome import Ending
from harness.record.header import RunHeader
from harness.record.owner import Owner, process_mark
from harness.record.progress import progress
from harness.record.reader import read_run
from harness.record.verify import verify_run
from harness.record.writer import RecordWriter
from harness.recovery import close_and_report
from harness.results import Event, EventKind, FailureKind

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


def root_with(place: Path, boot: str) -> Path:
    file = place / "proc/sys/kernel/random/boot_id"
    file.parent.mkdir(parents=True)
    file.write_text(f"{boot}\n")
    return place


def has_reports(folder: Path) -> bool:
    return all((folder / name).is_file() for name in REPORT_NAMES)


@pytest.mark.parametrize(
    ("boot", "cause"), [("boot-a", "was killed"), ("boot-b", "the machine restarted")]
)
def test_a_lost_run_is_explained_and_reported(
    tmp_path: Path, runs_dir: Path, boot: str, cause: str
) -> None:
    folder = killed(begin(runs_dir))
    lines = close_and_report(runs_dir, root_with(tmp_path / "root", boot))
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


def killed_process(boot_id: str) -> Owner:
    """The owner that a real process was which read `boot_id` in its tree and then was killed."""
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as child:
        owner = Owner(child.pid, process_mark(child.pid) or "", boot_id, ("rigproof", "run"))
        child.kill()
    return owner


@pytest.mark.parametrize("described", ["run", "command"])
def test_a_run_killed_under_another_tree_than_it_is_closed_under_met_no_restart(
    tmp_path: Path, runs_dir: Path, described: str
) -> None:
    """--sysfs-root was given to one of the two only: the trees' boot ids differ, the boot does not.
    Oracle: a process killed a moment ago on this boot."""
    if not kernel_boot_id():
        pytest.skip("only Linux tells its boot's id")
    tree = root_with(tmp_path / "root", "boot-of-a-tree")
    before, after = (tree, Path("/")) if described == "run" else (Path("/"), tree)
    owner = killed_process(boot_id(before))
    folder = killed(begin(runs_dir, owner=owner, boot_id=owner.boot_id))
    lines = close_and_report(runs_dir, after)
    assert "the harness was killed" in lines[0]
    assert [it.kind for it in read_run(folder).failures] == [FailureKind.PROCESS_DIED]


HOLD = """
import sys
from pathlib import Path
from harness.record.flocks import holding
with holding(Path(sys.argv[1])) as is_free:
    print(is_free, flush=True)
    sys.stdin.read()
"""


def test_a_run_that_is_measured_where_process_ids_are_others_is_not_lost_until_its_process_ends(
    runs_dir: Path,
) -> None:
    """As in a container that shares the runs folder: its owner's process id is nobody's here."""
    if os.name != "posix":
        pytest.skip("locks on folders are POSIX")
    folder = killed(begin(runs_dir))
    pipe = subprocess.PIPE
    words = [sys.executable, "-c", HOLD, str(folder)]
    with subprocess.Popen(words, stdin=pipe, stdout=pipe, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "True\n"
        assert close_and_report(runs_dir) == []
        assert progress(folder).end.ending is None
        process.kill()
    assert "ended without its end" in close_and_report(runs_dir)[0]


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
