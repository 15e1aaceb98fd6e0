"""Scratch folders go with their owner, and with nobody else. Oracle: real processes."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from harness import scratch
from harness.errors import StorageError
from harness.record import flocks
from harness.scratch import scratch_folder

pytestmark = pytest.mark.skipif(os.name != "posix", reason="locks on folders are POSIX")

OWN = """
import sys
from pathlib import Path
from harness import scratch
scratch._base = lambda: Path(sys.argv[1])
with scratch.scratch_folder() as folder:
    print(folder, flush=True)
    sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def base(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where scratch folders lie, for this test alone."""
    monkeypatch.setattr(scratch, "_base", lambda: tmp_path)
    return tmp_path


@contextmanager
def owner(base: Path, *before: str) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """A process with a scratch folder, started by `before`, and the folder."""
    words = [*before, sys.executable, "-c", OWN, str(base)]
    pipe = subprocess.PIPE
    with subprocess.Popen(words, stdin=pipe, stdout=pipe, text=True) as process:
        try:
            assert process.stdout is not None
            yield process, Path(process.stdout.readline().strip())
        finally:
            process.kill()


def swept() -> None:
    """What the next run does before it begins."""
    with scratch_folder():
        pass


def test_a_folder_is_private_and_gone_at_the_end(base: Path) -> None:
    with scratch_folder() as folder:
        assert folder.stat().st_mode & 0o777 == 0o700
        (folder / "board").touch()
    assert list(base.iterdir()) == []


def test_a_living_owners_folder_stays_and_a_killed_ones_goes(base: Path) -> None:
    with owner(base) as (process, folder):
        (folder / "board").touch()
        swept()
        assert (folder / "board").exists()
        process.kill()
        process.wait()
        assert folder.is_dir()
        swept()
        assert not folder.exists()


def test_a_living_owner_whose_process_id_means_nothing_here_keeps_its_folder(base: Path) -> None:
    """As from a container that shares the memory: here that process id is nobody's."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    with owner(base) as (_, folder):
        elsewhere = folder.rename(base / f"rigproof-{gone.pid}-elsewhere")
        swept()
        assert elsewhere.is_dir()


#: Gives what it starts a process id of the caller's choice, in a namespace of its own.
AS_PROCESS = 'echo $(($1 - 1)) > /proc/sys/kernel/ns_last_pid && shift && "$@"; exit $?'


def test_a_run_in_a_namespace_of_process_ids_of_its_own_keeps_its_folder(base: Path) -> None:
    """Oracle: the kernel; the run's process id there is nobody's here."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    elsewhere = ["unshare", "--pid", "--fork", "--kill-child", "sh", "-c", AS_PROCESS, "sh"]
    elsewhere.append(str(gone.pid))
    if (
        shutil.which("unshare") is None
        or subprocess.run([*elsewhere, "true"], check=False, capture_output=True).returncode
    ):
        pytest.skip("a namespace of one's own needs unshare(1) and root")
    with owner(base, *elsewhere) as (_, folder):
        assert folder.name.startswith(f"rigproof-{gone.pid}-")
        swept()
        assert folder.is_dir()


def test_a_process_id_that_is_used_again_keeps_no_dead_folder(base: Path) -> None:
    """Process ids that live: this one, and the first of all."""
    left = [base / f"rigproof-{pid}-left" for pid in (os.getpid(), 1)]
    for folder in left:
        folder.mkdir(mode=0o700)
    swept()
    assert not any(folder.exists() for folder in left)


def test_what_is_no_scratch_folder_of_this_users_is_left_alone(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (base / "rigproof-1-file").touch()
    (base / "rigproof-compile-x").mkdir()
    (base / "target").mkdir(mode=0o700)
    (base / "rigproof-1-link").symlink_to(base / "target")
    (base / "rigproof-1-open").mkdir(mode=0o755)
    names = sorted(it.name for it in base.iterdir())
    swept()
    assert sorted(it.name for it in base.iterdir()) == names
    folder = base / "rigproof-1-others"
    folder.mkdir(mode=0o700)
    with monkeypatch.context() as patch:
        patch.setattr(os, "geteuid", lambda: folder.stat().st_uid + 1)
        scratch._sweep(base)
    assert folder.is_dir()


@pytest.mark.parametrize("moment", ["before it is opened", "while it is held", "after that"])
def test_a_folder_that_is_swept_in_the_moment_before_it_is_held_is_made_again(
    base: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    """Another run sweeps between the making of a folder and its lock."""
    really_new, really_opened, really_locked = scratch._new, scratch._opened, scratch.take_flock
    made: list[Path] = []

    def new(place: Path) -> Path:
        made.append(really_new(place))
        return made[-1]

    def opened(folder: Path) -> int:
        if len(made) == 1 and moment == "before it is opened":
            folder.rmdir()
        return really_opened(folder)

    def locked(descriptor: int) -> bool:
        if len(made) == 1 and moment == "after that":
            made[0].rmdir()
        return (len(made) > 1 or moment != "while it is held") and really_locked(descriptor)

    monkeypatch.setattr(scratch, "_new", new)
    monkeypatch.setattr(scratch, "_opened", opened)
    monkeypatch.setattr(scratch, "take_flock", locked)
    with scratch_folder() as folder:
        assert [folder] == made[1:]
        (folder / "board").touch()


def test_where_every_folder_goes_at_once_that_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(scratch, "take_flock", lambda _: False)
    with (
        pytest.raises(StorageError, match="every new scratch folder is removed at once"),
        scratch_folder(),
    ):
        pass


def test_where_folders_cannot_be_locked_a_run_begins_and_sweeps_nothing(
    base: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody can tell there whose folder lives, so none is taken from anybody."""

    def none(_: int) -> bool:
        raise OSError(95, "Operation not supported")

    left = base / "rigproof-1-left"
    left.mkdir(mode=0o700)
    monkeypatch.setattr(scratch, "take_flock", none)
    with scratch_folder() as folder:
        assert folder.is_dir()
    assert [it.name for it in base.iterdir()] == [left.name]


def test_a_lock_on_a_folder_is_one_openings_and_ends_with_it(base: Path) -> None:
    first, second = (os.open(base, os.O_RDONLY) for _ in range(2))
    assert flocks.take_flock(first)
    assert not flocks.take_flock(second)
    os.close(first)
    assert flocks.take_flock(second)
    os.close(second)
