"""How a run begins and how it ends when its helpers fail. Oracle: the outcome table."""

from __future__ import annotations

import json
import os
from pathlib import Path
from xml.etree import ElementTree

import pytest

from harness import running
from harness.clock import SYSTEM
from harness.errors import BrokenEnvironment, RefusedStart, StorageError
from harness.finishing import REPORT_NAMES
from harness.happenings import Finish
from harness.observing import Nobody
from harness.outcome import Ending, ExitCode
from harness.record.endings import close_lost_runs
from harness.record.flocks import holding
from harness.record.lock import MachineLock
from harness.record.owner import Owner
from harness.record.reader import read_run
from harness.results import EventKind
from harness.scratch import scratch_folder
from tests.whole_runs import TINY, loaded, run


def only_run(runs_dir: Path) -> Path:
    (folder,) = runs_dir.iterdir()
    return folder


def test_a_sampler_without_a_sign_of_life_is_a_broken_environment_with_a_report(
    runs_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "SAMPLER_START_SECONDS", 0.0)
    with pytest.raises(BrokenEnvironment, match="no sign of life") as caught:
        run(TINY, runs_dir)
    assert caught.value.exit_code == ExitCode.ERROR
    folder = only_run(runs_dir)
    data = read_run(folder)
    assert data.ending is Ending.ERROR
    assert "no sign of life" in data.ending_text
    assert data.trials == ()  # no load without a sampler
    assert all((folder / name).is_file() for name in REPORT_NAMES)
    suite = ElementTree.parse(folder / "junit.xml").getroot()  # noqa: S314 - our own file
    assert suite.findall(".//error")
    assert json.loads((folder / "summary.json").read_text())["workloads"] == []


def test_an_operator_who_ends_it_by_force_leaves_an_interrupted_run(
    runs_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def forced(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(running, "_await_sampler", forced)
    with pytest.raises(KeyboardInterrupt):
        run(TINY, runs_dir)
    data = read_run(only_run(runs_dir))
    assert (data.ending, data.ending_text) == (
        Ending.INTERRUPTED,
        "the operator ended it by force",
    )


def test_while_the_machine_is_taken_nothing_is_left_behind(runs_dir: Path) -> None:
    me = Owner.of_this_process("", ())
    boot_id = running.look_at_machine(running.RunOptions(runs_dir=runs_dir)).boot_id
    taken = Owner(me.pid, me.mark, boot_id, ())
    with (
        MachineLock.acquire(taken, "20260101T000000Z-other-0000", SYSTEM),
        pytest.raises(RefusedStart, match=r"20260101T000000Z-other-0000 is under way"),
    ):
        run(TINY, runs_dir)
    assert list(runs_dir.iterdir()) == []


def test_a_run_holds_its_folder_as_long_as_it_is_measured(
    runs_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if os.name != "posix":
        pytest.skip("locks on folders are POSIX")
    seen: list[bool] = []

    def measured(part: object, shop: running.Workshop) -> Finish:
        with holding(shop.writer.folder) as is_free:
            seen.append(is_free)
        return Finish(Ending.COMPLETED, "")

    monkeypatch.setattr(running, "_measure", measured)
    concluded = run(TINY, runs_dir)
    with holding(concluded.folder) as is_free:
        assert (seen, is_free) == ([False], True)


def test_a_run_is_held_before_there_is_a_record_that_somebody_could_close(
    runs_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As from a container where the owner's process id is nobody's. Oracle: the run's own end."""
    if os.name != "posix":
        pytest.skip("locks on folders are POSIX")
    closed: list[object] = []

    class Watching(Nobody):
        def begun(self, run_id: str, folder: str) -> None:
            closed.extend(close_lost_runs(runs_dir, SYSTEM, "boot-elsewhere", lambda _: False))

    monkeypatch.setattr(running, "_measure", lambda *_: Finish(Ending.COMPLETED, "all done"))
    options = running.RunOptions(runs_dir=runs_dir)
    runs_dir.mkdir(parents=True, exist_ok=True)
    concluded = running.run_profile(loaded(TINY), options, Watching())
    assert closed == []
    data = read_run(concluded.folder)
    assert (data.ending, data.ending_text) == (Ending.COMPLETED, "all done")
    assert [it.kind for it in data.events if it.kind is EventKind.CRASHED] == []


def test_a_folder_that_another_process_holds_is_refused_before_anything_is_written(
    runs_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if os.name != "posix":
        pytest.skip("locks on folders are POSIX")
    monkeypatch.setattr("harness.record.listing.new_run_id", lambda *_: "20260101T000000Z-x-0000")
    folder = runs_dir / "20260101T000000Z-x-0000"
    folder.mkdir(parents=True)
    with holding(folder), pytest.raises(RefusedStart, match="is held by another process"):
        run(TINY, runs_dir)
    assert list(folder.iterdir()) == []


def test_without_room_for_the_board_there_is_one_clear_error(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def full(**_: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("harness.scratch.tempfile.mkdtemp", full)
    with pytest.raises(StorageError, match="No space left on device"), scratch_folder():
        pass
