"""One run on one machine: a living owner is respected, a dead one is explained and replaced."""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from record_samples import BOOT_ID

from harness.clock import ManualClock
from harness.errors import RefusedStart, StorageError
from harness.record import lock as lock_module
from harness.record.lock import LOCK_NAME, MachineLock
from harness.record.owner import Owner, owner_is_alive, process_mark, terminal_name


@pytest.fixture
def me() -> Owner:
    return Owner.of_this_process(BOOT_ID, ("rigproof", "run"))


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


def gone(me: Owner) -> Owner:
    """A process that has ended and was waited for."""
    child = subprocess.Popen([sys.executable, "-c", ""])
    mark = process_mark(child.pid) or "?"
    child.wait()
    return dataclasses.replace(me, pid=child.pid, mark=mark)


def test_the_lock_is_there_while_it_is_held_and_gone_afterwards(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    with MachineLock.acquire(me, "run-1", clock, folder=tmp_path) as lock:
        assert lock.stale_note == ""
        assert [path.name for path in tmp_path.iterdir()] == [LOCK_NAME]
    assert list(tmp_path.iterdir()) == []


def test_a_second_run_is_refused_with_owner_run_and_age(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    with MachineLock.acquire(me, "run-1", clock, folder=tmp_path):
        clock.advance(60.0)
        clock.suspend(65.0)
        clock.set_wall(0)
        with pytest.raises(RefusedStart) as caught:
            MachineLock.acquire(me, "run-2", clock, folder=tmp_path)
    told = str(caught.value)
    assert f"run-1 is under way on this machine (process {os.getpid()}, for 2 min 05 s)" in told


@pytest.mark.parametrize("case", ["ended", "pid used again", "restart"])
def test_a_stale_lock_is_taken_over_and_explained(
    tmp_path: Path, me: Owner, clock: ManualClock, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    owners = {
        "ended": gone(me),
        "pid used again": dataclasses.replace(me, mark="ticks 1"),
        "restart": me,
    }
    MachineLock.acquire(owners[case], "run-1", clock, folder=tmp_path)
    if case == "restart":
        monkeypatch.setattr(lock_module, "boot_id", lambda: "boot-after")
    with MachineLock.acquire(me, "run-2", clock, folder=tmp_path) as lock:
        why = "the machine restarted" if case == "restart" else "its process is gone"
        assert f"run run-1 (process {owners[case].pid}" in lock.stale_note
        assert f"was stale, {why}, and was removed" in lock.stale_note
    assert list(tmp_path.iterdir()) == []


def test_a_run_on_a_described_machine_keeps_every_other_run_off_the_real_one(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    """Owners carry the boot id of the tree that describes the machine; the load is on this one."""
    described = dataclasses.replace(me, boot_id="boot-of-a-tree")
    with MachineLock.acquire(described, "run-1", clock, folder=tmp_path):
        for other in (me, dataclasses.replace(me, boot_id="boot-of-another-tree")):
            with pytest.raises(RefusedStart, match="run-1 is under way"):
                MachineLock.acquire(other, "run-2", clock, folder=tmp_path)


@pytest.mark.parametrize("content", [b"", b"junk", b"\xff\xfe", b'{"pid": "x"}', b"[" * 99_999])
def test_an_unreadable_lock_is_removed_and_told(
    tmp_path: Path, me: Owner, clock: ManualClock, content: bytes
) -> None:
    (tmp_path / LOCK_NAME).write_bytes(content)
    with MachineLock.acquire(me, "run-2", clock, folder=tmp_path) as lock:
        assert "not readable and was removed" in lock.stale_note


def test_only_one_of_many_gets_the_lock(tmp_path: Path, me: Owner, clock: ManualClock) -> None:
    MachineLock.acquire(gone(me), "stale", clock, folder=tmp_path)
    held: list[MachineLock] = []
    refused: list[RefusedStart] = []

    def attempt(number: int) -> None:
        try:
            held.append(MachineLock.acquire(me, f"run-{number}", clock, folder=tmp_path))
        except RefusedStart as error:
            refused.append(error)

    threads = [threading.Thread(target=attempt, args=(number,)) for number in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(held), len(refused)) == (1, 15)


def test_a_lock_that_is_no_longer_ours_is_left_alone(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    lock = MachineLock.acquire(me, "run-1", clock, folder=tmp_path)
    (tmp_path / LOCK_NAME).write_text("somebody else's")
    lock.release()
    assert (tmp_path / LOCK_NAME).exists()


def test_a_folder_that_cannot_be_written_is_one_clear_error(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    with pytest.raises(StorageError, match="lock cannot be written"):
        MachineLock.acquire(me, "run-1", clock, folder=tmp_path / "none")


def test_without_a_folder_for_temporary_files_there_is_one_clear_error(
    me: Owner, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none() -> str:
        raise FileNotFoundError(2, "No usable temporary directory found in ['/tmp']")

    monkeypatch.setattr("harness.record.files.tempfile.gettempdir", none)
    with pytest.raises(StorageError, match=r"No usable temporary directory.*set TMPDIR"):
        MachineLock.acquire(me, "run-1", clock)


def test_this_process_is_alive_and_its_past_and_future_are_not(me: Owner) -> None:
    assert owner_is_alive(me, BOOT_ID)
    assert not owner_is_alive(me, "another boot")
    assert not owner_is_alive(dataclasses.replace(me, mark="ticks 0"), BOOT_ID)
    assert not owner_is_alive(gone(me), BOOT_ID)


def test_a_process_that_ended_but_was_not_waited_for_is_gone() -> None:
    child = subprocess.Popen([sys.executable, "-c", ""], stdout=subprocess.PIPE)
    assert child.stdout is not None
    child.stdout.read()  # end of file: the child has closed its descriptors
    for _ in range(10_000_000):
        if process_mark(child.pid) is None:
            break
    assert process_mark(child.pid) is None
    child.communicate()


def test_without_a_terminal_its_name_is_empty() -> None:
    code = "from harness.record.owner import terminal_name; print(repr(terminal_name()))"
    shown = subprocess.run(
        [sys.executable, "-c", code],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=True,
    )
    assert shown.stdout == "''\n"
    assert isinstance(terminal_name(), str)
