"""The disk of a whole run fills up, or cannot be written at all: one clear line, exit 5, a record
that can be read, and no report that looks whole and is not.

Oracle: the outcome table, and the files that lie in the folder.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from harness.finishing import REPORT_NAMES
from harness.outcome import Ending, ExitCode, Verdict
from harness.record.lock import LOCK_NAME
from harness.record.verify import verify_run
from tests.faults.rigs import ENTRY, SOAK, TRIALS, Command, Rig, until

DISK_BYTES = 4 << 20
DISK_FULL = "disk is full: free space or choose another --runs-dir"


@contextmanager
def mounted(place: Path, options: str) -> Iterator[None]:
    """A small file system in memory at `place`, or a skip where this machine cannot mount one."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("a small file system can only be mounted by root")
    words = ["mount", "-t", "tmpfs", "-o", options, "rigproof", str(place)]
    done = subprocess.run(words, check=False, capture_output=True)
    if done.returncode != 0:
        pytest.skip(f"this machine mounts no file system in memory: {done.stderr!r}")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True, capture_output=True)


def one_clear_line(command: Command) -> str:
    """The last line on stderr, which is the error's; no traceback is above it."""
    assert "Traceback" not in command.stderr
    errors = [line for line in command.stderr.splitlines() if line.startswith("rigproof: ")]
    assert len(errors) == 1, command.tail
    return errors[0]


def fill(place: Path) -> Path:
    """Take every byte that is free."""
    filler = place / "filler"
    with filler.open("ab", buffering=0) as file:
        for size in (1 << 16, 1 << 12):
            try:
                while file.write(bytes(size)) == size:
                    pass
            except OSError:
                continue
    return filler


def test_a_disk_that_fills_up_under_load_is_told_with_the_reserve(tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    with mounted(tmp_path / "runs", f"size={DISK_BYTES}"), Rig(tmp_path) as rig:
        command = rig.run(SOAK)
        rig.await_load(command)
        fill(rig.runs_dir)
        assert command.ended() == ExitCode.ERROR, command.tail
        assert "Traceback" not in command.stderr
        assert command.stderr.count(DISK_FULL) == 1
        check_reported(run_folder(rig))


def run_folder(rig: Rig) -> Path:
    return next(it for it in rig.runs_dir.iterdir() if it.is_dir())


def check_reported(folder: Path) -> None:
    assert all((folder / name).is_file() for name in REPORT_NAMES)
    assert "<error" in (folder / "junit.xml").read_text("utf-8")
    assert verify_run(folder) == ()


def test_without_room_for_a_report_there_is_none_until_there_is_room(tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    with mounted(tmp_path / "runs", f"size={DISK_BYTES}"), Rig(tmp_path) as rig:
        command = rig.run(SOAK)
        rig.await_load(command)
        filler = fill(rig.runs_dir)
        until(lambda: DISK_FULL in command.stderr, "the run's notice")
        while command.popen.poll() is None:
            fill(rig.runs_dir)  # somebody else takes what the run gave back to say its last words
        assert command.popen.returncode == ExitCode.ERROR, command.tail
        one_clear_line(command)
        assert rig.seconds_until_gone(2.0) < 2.0
        folder = run_folder(rig)
        assert not [name for name in REPORT_NAMES if (folder / name).exists()]

        filler.unlink()  # somebody makes room: the next command writes what is missing
        line = rig.listed()[folder.name]
        assert (line["ending"], line["verdict"]) == (Ending.ERROR, Verdict.ERROR)
        assert rig.data().failures == ()
        check_reported(folder)


def test_a_read_only_runs_folder_refuses_the_run_at_once(tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    with mounted(tmp_path / "runs", "ro"), Rig(tmp_path) as rig:
        for words in ([], ["--runs-dir", str(rig.runs_dir / "new" / "folder")]):
            command = rig.run(TRIALS, *words)
            assert command.ended() == ExitCode.ERROR, command.tail
            assert "Read-only file system: give another --runs-dir" in one_clear_line(command)
            assert not list(rig.runs_dir.iterdir())


def test_a_runs_folder_that_is_a_file_is_told_as_such(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        command = rig.run(TRIALS, "--runs-dir", str(Path(__file__)))
        assert command.ended() == ExitCode.ERROR
        assert "File exists: give another --runs-dir" in one_clear_line(command)


#: Runs a command that sees a full file system in memory, and leaves ours as it is.
FULL_MEMORY = """
import subprocess, sys
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "rigproof", "/dev/shm"], check=True)
try:
    with open("/dev/shm/filler", "wb", buffering=0) as file:
        while file.write(bytes(4096)):
            pass
except OSError:
    pass
"""


def test_a_full_file_system_in_memory_refuses_the_run_in_one_line(tmp_path: Path) -> None:
    if subprocess.run(["unshare", "-m", "true"], check=False, capture_output=True).returncode:
        pytest.skip("a mount of one's own needs unshare(1) and root")
    profile = tmp_path / "profile.yaml"
    profile.write_text(TRIALS)
    with Rig(tmp_path) as rig:
        code = f"{FULL_MEMORY}\n{ENTRY}"
        command = rig.start("run", str(profile), code=code, before=("unshare", "-m"))
        assert command.ended() == ExitCode.ERROR, command.tail
        line = one_clear_line(command)
        assert "no room for the" in line
        assert "No space left on device: free some space there" in line
        assert list(rig.runs_dir.iterdir()) == []
        assert not (rig.temporary / LOCK_NAME).exists()


def test_a_long_name_for_temporary_files_does_not_keep_a_run_from_its_lanes(
    tmp_path: Path,
) -> None:
    place = tmp_path / ("t" * 100)
    place.mkdir()
    profile = tmp_path / "profile.yaml"
    profile.write_text(TRIALS)
    with Rig(tmp_path) as rig:
        command = rig.start("run", str(profile), TMPDIR=str(place))
        assert command.ended() == ExitCode.PASS, command.tail
        assert list(place.iterdir()) == []
        assert rig.seconds_until_gone(2.0) < 2.0
