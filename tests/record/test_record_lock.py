"""One run on one machine: a living owner is respected, a dead one is explained and replaced."""

from __future__ import annotations

import dataclasses
import os
import stat
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from owner_samples import gone, leave, this_process

from harness.clock import ManualClock
from harness.errors import RefusedStart, StorageError
from harness.record import lock as lock_module
from harness.record.lock import CLOSING_NAME, LOCK_NAME, MachineLock
from harness.record.owner import Owner
from harness.record.places import SHARED_FOLDER_VARIABLE

FOREIGN = "foreign lock"


@pytest.fixture
def me() -> Owner:
    return this_process()


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


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
    leave(owners[case], "run-1", clock, tmp_path)
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
    leave(gone(me), "stale", clock, tmp_path)
    really_alive, really_rename = lock_module.owner_is_alive, Path.rename
    second: list[MachineLock] = []

    def judged(owner: Owner, boot: str) -> bool:
        monkeypatch.setattr(lock_module, "owner_is_alive", really_alive)
        path.unlink()
        second.append(MachineLock.acquire(me, "second", clock, folder=tmp_path))
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
    second[0].release()


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

    leave(gone(me), "stale", clock, tmp_path)
    with (tmp_path / LOCK_NAME).open("rb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(RefusedStart, match="another run"):
            MachineLock.acquire(me, "run-2", clock, folder=tmp_path)
        assert '"run_id": "stale"' in (tmp_path / LOCK_NAME).read_text()
    MachineLock.acquire(me, "run-2", clock, folder=tmp_path).release()


def test_only_one_of_many_gets_the_lock(tmp_path: Path, me: Owner, clock: ManualClock) -> None:
    leave(gone(me), "stale", clock, tmp_path)
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
    held[0].release()


def test_a_lock_that_is_no_longer_ours_is_left_alone(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    lock = MachineLock.acquire(me, "run-1", clock, folder=tmp_path)
    lock.path.unlink()
    lock.path.write_text("somebody else's")
    lock.release()
    assert (tmp_path / LOCK_NAME).exists()


@pytest.mark.parametrize(("name", "elsewhere"), [(LOCK_NAME, True), (CLOSING_NAME, False)])
def test_a_folder_that_cannot_be_written_is_one_clear_error_with_a_remedy_that_helps(
    tmp_path: Path, me: Owner, clock: ManualClock, name: str, elsewhere: bool
) -> None:
    """The lock in a run's own folder cannot be elsewhere, and TMPDIR moves neither."""
    with pytest.raises(StorageError, match="lock cannot be written") as caught:
        MachineLock.acquire(me, "run-1", clock, folder=tmp_path / "none", name=name)
    assert f"free some space in {tmp_path / 'none'}, or make it writable" in str(caught.value)
    assert (SHARED_FOLDER_VARIABLE in str(caught.value)) is elsewhere
    assert "TMPDIR" not in str(caught.value)


HOLD = """
import sys
from dataclasses import replace
from pathlib import Path
from harness.clock import SYSTEM
from harness.record.lock import MachineLock
from harness.record.owner import Owner
me = Owner.of_this_process("", ())
owner = replace(me, pid=int(sys.argv[2]) or me.pid, mark=sys.argv[3] or me.mark)
lock = MachineLock.acquire(
    owner, "run-held", SYSTEM, folder=Path(sys.argv[1]) if sys.argv[1] else None
)
print(lock.path, flush=True)
sys.stdin.read()
"""


@contextmanager
def holding(
    folder: str, pid: int = 0, mark: str = "", **environment: str
) -> Iterator[subprocess.Popen[str]]:
    """A process that holds the lock until it is killed."""
    words = [sys.executable, "-c", HOLD, folder, str(pid), mark]
    pipe = subprocess.PIPE
    with subprocess.Popen(
        words, stdin=pipe, stdout=pipe, text=True, env={**os.environ, **environment}
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline().strip().endswith(LOCK_NAME)
            yield process
        finally:
            process.kill()


def test_users_with_temporary_folders_of_their_own_keep_each_other_off(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    """Oracle: a run of another process, started with another TMPDIR."""
    with (
        holding("", TMPDIR=str(tmp_path)) as other,
        pytest.raises(
            RefusedStart, match=f"run-held is under way on this machine .process {other.pid}"
        ),
    ):
        MachineLock.acquire(me, "run-2", clock)
    assert list(tmp_path.iterdir()) == []
    with MachineLock.acquire(me, "run-2", clock) as lock:
        assert "run run-held" in lock.stale_note


def test_a_living_run_whose_process_id_means_nothing_here_keeps_its_lock_until_it_ends(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    """As from a container: its process id is nobody's here. Oracle: the process itself."""
    if os.name != "posix":
        pytest.skip("locks on files are POSIX")
    elsewhere = gone(me)
    with holding(str(tmp_path), elsewhere.pid, elsewhere.mark):
        with pytest.raises(RefusedStart, match="holds it from another container"):
            MachineLock.acquire(me, "run-2", clock, folder=tmp_path)
        assert '"run_id": "run-held"' in (tmp_path / LOCK_NAME).read_text()
    with MachineLock.acquire(me, "run-2", clock, folder=tmp_path) as lock:
        assert f"run run-held (process {elsewhere.pid}" in lock.stale_note


def test_other_users_may_read_whose_lock_it_is_whatever_the_owners_umask(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    if os.name != "posix":
        pytest.skip("modes are POSIX")
    before = os.umask(0o077)
    try:
        with MachineLock.acquire(me, "run-1", clock, folder=tmp_path) as lock:
            assert stat.S_IMODE(lock.path.stat().st_mode) == 0o644
    finally:
        os.umask(before)


NOBODY = 65534
TAKE_AS_NOBODY = f"""
import fcntl, os, sys
from pathlib import Path
from harness.clock import SYSTEM
from harness.errors import RefusedStart
from harness.record.lock import MachineLock
from harness.record.owner import Owner
me = Owner.of_this_process("", ())
os.setgid({NOBODY})
os.setuid({NOBODY})
try:
    MachineLock.acquire(me, "x", SYSTEM, folder=Path(sys.argv[1]))
except RefusedStart as error:
    print(error)
"""


def test_another_users_stale_lock_in_a_sticky_folder_is_refused_and_its_owner_named_as_remedy(
    me: Owner, clock: ManualClock
) -> None:
    """Oracle: the kernel, which lets only owners remove what lies in a sticky folder."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("only root may become another user")
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        folder = Path(name)
        folder.chmod(0o1777)
        leave(gone(me), "stale", clock, folder)
        words = [sys.executable, "-c", TAKE_AS_NOBODY, name]
        said = subprocess.run(words, capture_output=True, text=True, check=False)
        assert "cannot be removed: Operation not permitted: its owner or root must" in said.stdout
        assert [it.name for it in folder.iterdir()] == [LOCK_NAME]


def test_without_any_folder_there_is_one_clear_error(
    me: Owner, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none() -> str:
        raise FileNotFoundError(2, "No usable temporary directory found in ['/tmp']")

    monkeypatch.delenv(SHARED_FOLDER_VARIABLE)
    monkeypatch.setattr("harness.record.places._everybodys", lambda places: iter(()))
    monkeypatch.setattr("harness.record.files.tempfile.gettempdir", none)
    with pytest.raises(StorageError, match=r"No usable temporary directory.*set TMPDIR"):
        MachineLock.acquire(me, "run-1", clock)
