"""The storage of a run goes away while it measures: a drive is pulled, a file system turns
read-only after an error, somebody moves the folder. One clear line, exit 5, no load left, and
what had been finished is there when the storage is back.

Oracle: the trials that another process read from the record before. The drive is an ext4 image in a
loop device, told by its own ioctl to answer with errors from now on, as a pulled one does.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.board import LaneSlot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.finishing import REPORT_NAMES
from harness.outcome import Ending, ExitCode, Verdict
from harness.record.reader import read_run
from harness.record.verify import verify_run
from harness.watchers import WRITER_SILENT_SECONDS
from tests.faults.rigs import SOAK, TRIALS, Command, Rig, until

IMAGE_BYTES = 48 << 20
#: _IOR('X', 125, __u32), FS_IOC_SHUTDOWN of linux/fs.h, with its flag to write nothing any more.
SHUTDOWN, NO_LOG_FLUSH = 0x8004587D, 2
READ_ONLY = "the file system is read-only: choose another --runs-dir"
CAMPAIGN = "RIGPROOF_FULL" in os.environ
LONG = TRIALS.replace("trials: 16", "trials: 400")


def called(*words: str | Path) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True)


@dataclass(frozen=True)
class Drive:
    """A drive of its own, mounted as the runs folder."""

    image: Path
    place: Path

    def mount(self) -> None:
        called("mount", "-o", "loop", self.image, self.place)

    def unmount(self) -> None:
        called("umount", "-l", self.place)

    def pull(self) -> None:
        """From now on everything is answered with an input/output error."""
        import fcntl

        descriptor = os.open(self.place, os.O_RDONLY)
        try:
            fcntl.ioctl(descriptor, SHUTDOWN, struct.pack("I", NO_LOG_FLUSH))
        finally:
            os.close(descriptor)

    def turn_read_only(self) -> None:
        """What ext4 does by itself after an error (errors=remount-ro, ext4(5))."""
        called("mount", "-o", "remount,abort", self.place)

    def freeze(self) -> None:
        """From now on nothing that is written comes back (fsfreeze(8))."""
        called("fsfreeze", "--freeze", self.place)

    def thaw(self) -> None:
        called("fsfreeze", "--unfreeze", self.place)


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[Drive]:
    """An empty one, or a skip where this machine cannot mount one."""
    if shutil.which("mkfs.ext4") is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("a drive of one's own needs root, mkfs.ext4 and loop devices")
    made = Drive(tmp_path / "drive.img", tmp_path / "runs")
    made.place.mkdir()
    with made.image.open("wb") as file:
        file.truncate(IMAGE_BYTES)
    called("mkfs.ext4", "-q", "-F", made.image)
    try:
        made.mount()
    except subprocess.CalledProcessError as error:
        pytest.skip(f"this machine mounts no loop device: {error.stderr!r}")
    (made.place / "lost+found").rmdir()  # it would look like the newest run
    yield made
    subprocess.run(["umount", "-l", str(made.place)], check=False, capture_output=True)


def lost_while_measuring(rig: Rig, lose: Callable[[], None]) -> tuple[Command, set[int]]:
    """Lose the storage under load; the ended command, and the trials that were there before."""
    command = rig.run(LONG)
    rig.await_load(command, trials=2)
    before = {trial.number for trial in rig.data().trials}
    lose()
    assert command.ended() == ExitCode.ERROR, command.tail
    assert "Traceback" not in command.stderr
    errors = [line for line in command.stderr.splitlines() if line.startswith("rigproof: ")]
    assert len(errors) == 1, command.tail
    assert rig.seconds_until_gone(2.0) < 2.0
    return command, before


def check_explained(rig: Rig, before: set[int]) -> None:
    """With the storage back, the next command says what happened and reports it."""
    folder = rig.folder()
    assert folder is not None
    line = rig.listed()[folder.name]
    data = read_run(folder)
    assert before <= {trial.number for trial in data.trials}
    assert (line["ending"], line["verdict"]) == (Ending.ERROR, Verdict.ERROR)
    assert data.failures == ()
    assert "the storage failed" in data.ending_text
    assert verify_run(folder) == ()
    assert all((folder / name).is_file() for name in REPORT_NAMES)


def test_a_drive_that_is_pulled_costs_no_finished_trial_and_is_explained_when_it_is_back(
    tmp_path: Path, drive: Drive
) -> None:
    with Rig(tmp_path) as rig:
        command, before = lost_while_measuring(rig, drive.pull)
        assert "the storage answers with errors: check the disk and its cable" in command.stderr
        drive.unmount()
        drive.mount()
        check_explained(rig, before)


def test_a_file_system_that_turns_read_only_costs_no_finished_trial_and_is_explained(
    tmp_path: Path, drive: Drive
) -> None:
    with Rig(tmp_path) as rig:
        command, before = lost_while_measuring(rig, drive.turn_read_only)
        assert READ_ONLY in command.stderr
        drive.unmount()
        drive.mount()
        check_explained(rig, before)


def test_a_run_folder_that_is_moved_away_is_noticed_and_explained_when_it_is_back(
    tmp_path: Path,
) -> None:
    with Rig(tmp_path) as rig:
        homes: list[Path] = []

        def move() -> None:
            folder = rig.folder()
            assert folder is not None
            homes.append(folder.rename(tmp_path / folder.name))

        command, before = lost_while_measuring(rig, move)
        assert "gone from its place" in command.stderr
        assert list(rig.runs_dir.iterdir()) == []
        homes[0].rename(rig.runs_dir / homes[0].name)
        check_explained(rig, before)
        assert not list(rig.temporary.glob("rigproof-unsaid-*"))


def test_a_storage_that_hangs_ends_the_load_within_its_time_and_the_record_is_whole_afterwards(
    tmp_path: Path, drive: Drive
) -> None:
    if not CAMPAIGN:
        pytest.skip("takes more than a minute: RIGPROOF_FULL=20 (or `make faults`) runs it")
    with Rig(tmp_path) as rig:
        command = rig.run(SOAK)
        rig.await_load(command)
        board = rig.board(command)
        frozen_ns = SYSTEM.monotonic_ns()
        drive.freeze()
        try:
            patience = WRITER_SILENT_SECONDS + 30.0
            until(lambda: board.stop is not StopReason.NONE, "the end of the load", patience)
            waited = (SYSTEM.monotonic_ns() - frozen_ns) / NS_PER_SECOND
            told = "the storage has not finished a write for"
            until(lambda: told in command.stderr, "a word about it")
            lanes = range(board.lanes)
            until(lambda: all(board.lane(it, LaneSlot.OFF_NS) for it in lanes), "lanes at rest")
        finally:
            drive.thaw()
        assert waited > WRITER_SILENT_SECONDS - 5.0  # a write may have been under way before
        assert command.ended() == ExitCode.ERROR, command.tail
        assert "Traceback" not in command.stderr
        data = rig.data()
        assert (data.ending, data.failures) == (Ending.ERROR, ())
        assert told in data.ending_text
        assert [soak.complete for soak in data.soaks] == [False]
        folder = rig.folder()
        assert folder is not None
        assert verify_run(folder) == ()
        assert rig.seconds_until_gone(2.0) < 2.0
