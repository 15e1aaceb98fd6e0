"""One run on one machine: a living owner is respected, a dead one is explained and replaced."""

from __future__ import annotations

import dataclasses
import os
import stat
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from record_samples import BOOT_ID

from harness.clock import ManualClock
from harness.errors import RefusedStart, StorageError
from harness.record import lock as lock_module
from harness.record.lock import LOCK_NAME, MachineLock
from harness.record.owner import Owner, owner_is_alive, process_mark, terminal_name

FOREIGN = "foreign lock"


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


def outcome_of(attempt: Callable[[], object]) -> list[object]:
    """What an attempt returned or raised; empty when it hangs."""
    found: list[object] = []

    def run() -> None:
        try:
            found.append(attempt())
        except Exception as error:  # noqa: BLE001 - the test looks at it
            found.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(20.0)
    return found


@pytest.mark.parametrize("kind", ["pipe", "folder", "link", "socket"])
def test_what_is_no_plain_file_in_the_locks_place_refuses_the_start_at_once(
    tmp_path: Path, me: Owner, clock: ManualClock, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no such files")
    monkeypatch.chdir(tmp_path)
    {
        "pipe": lambda: os.mkfifo(LOCK_NAME),
        "folder": Path(LOCK_NAME).mkdir,
        "link": lambda: Path(LOCK_NAME).symlink_to("elsewhere"),
        "socket": lambda: os.mknod(LOCK_NAME, stat.S_IFSOCK | 0o600),
    }[kind]()
    (found,) = outcome_of(lambda: MachineLock.acquire(me, "run-2", clock, folder=tmp_path))
    assert isinstance(found, RefusedStart)
    assert str(tmp_path / LOCK_NAME) in str(found)
    assert "remove it" in str(found)
    assert os.path.lexists(LOCK_NAME)  # it is not ours to remove


def test_a_lock_that_only_another_user_may_read_refuses_the_start(
    tmp_path: Path, me: Owner, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def denied(path: Path, flags: int, mode: int = 0o777) -> int:
        if path == tmp_path / LOCK_NAME:
            raise PermissionError(13, "Permission denied", str(path))
        return really_open(path, flags, mode)

    (tmp_path / LOCK_NAME).write_text(FOREIGN)
    really_open = os.open
    monkeypatch.setattr(os, "open", denied)
    with pytest.raises(RefusedStart, match=r"Permission denied.*its owner"):
        MachineLock.acquire(me, "run-2", clock, folder=tmp_path)


def test_a_pipe_that_took_a_held_locks_place_does_not_hold_its_release_up(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no pipes with names")
    lock = MachineLock.acquire(me, "run-1", clock, folder=tmp_path)
    lock.path.unlink()
    os.mkfifo(lock.path)
    assert outcome_of(lock.release) == [None]
    assert lock.path.exists()


def test_a_lock_taken_while_a_stale_one_was_judged_stays_where_it_is(
    tmp_path: Path, me: Owner, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second run takes the stale lock over in the worst moment, and a third one waits to."""
    path = tmp_path / LOCK_NAME
    MachineLock.acquire(gone(me), "stale", clock, folder=tmp_path)
    really_alive, really_rename = lock_module.owner_is_alive, Path.rename

    def judged(owner: Owner, boot: str) -> bool:
        monkeypatch.setattr(lock_module, "owner_is_alive", really_alive)
        path.unlink()
        MachineLock.acquire(me, "second", clock, folder=tmp_path)
        return really_alive(owner, boot)

    def renamed(self: Path, target: Path) -> Path:
        found = really_rename(self, target)
        if self == path:
            path.write_text("third")
        return found

    monkeypatch.setattr(lock_module, "owner_is_alive", judged)
    monkeypatch.setattr(Path, "rename", renamed)
    with pytest.raises(RefusedStart, match="run second is under way"):
        MachineLock.acquire(me, "first", clock, folder=tmp_path)
    assert '"run_id": "second"' in path.read_text()
    assert [it.name for it in tmp_path.iterdir()] == [LOCK_NAME]


def test_where_files_are_put_aside_a_foreign_lock_is_put_back_or_kept_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / LOCK_NAME
    path.write_text(FOREIGN)
    assert not lock_module._remove_aside(path, "stale")
    assert path.read_text() == FOREIGN
    really_rename = Path.rename

    def renamed(self: Path, target: Path) -> Path:
        found = really_rename(self, target)
        self.write_text("third")
        return found

    monkeypatch.setattr(Path, "rename", renamed)
    with pytest.raises(RefusedStart, match="another run has just taken"):
        lock_module._remove_aside(path, "stale")
    assert sorted(it.read_text() for it in tmp_path.iterdir()) == [FOREIGN, "third"]


def test_a_stale_lock_that_another_run_is_just_removing_is_left_to_it(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    if os.name != "posix":
        pytest.skip("locks on files are POSIX")
    import fcntl

    MachineLock.acquire(gone(me), "stale", clock, folder=tmp_path)
    with (tmp_path / LOCK_NAME).open("rb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(RefusedStart, match="another run"):
            MachineLock.acquire(me, "run-2", clock, folder=tmp_path)
        assert '"run_id": "stale"' in (tmp_path / LOCK_NAME).read_text()
    MachineLock.acquire(me, "run-2", clock, folder=tmp_path).release()


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
