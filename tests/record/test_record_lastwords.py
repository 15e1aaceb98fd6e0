"""What a run could not write is said elsewhere, and believed only as this user's own word."""

from __future__ import annotations

import os
import stat
import tempfile
import threading
from pathlib import Path

import pytest
from record_samples import BOOT_ID, EVENT, OWNER, RUN_ID, begin, finished_run, trial

from harness.clock import ManualClock
from harness.errors import StorageError, StorageFull
from harness.outcome import Ending
from harness.record import lastwords
from harness.record.endings import LossCause, close_lost_runs
from harness.record.lastwords import LastWords, forget_last_words, last_words, leave_last_words
from harness.record.places import SHARED_FOLDER_VARIABLE
from harness.record.reader import read_run
from harness.record.store import RecordStore
from harness.record.writer import RecordWriter
from harness.results import Boot

WORDS = LastWords("disk I/O error: check the disk and its cable", full=False)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that runs share, as this test's runs see it."""
    folder = tmp_path / "shared"
    folder.mkdir()
    monkeypatch.setenv(SHARED_FOLDER_VARIABLE, str(folder))
    return folder


def test_words_come_back_private_and_only_until_they_are_forgotten(place: Path) -> None:
    leave_last_words(RUN_ID, WORDS)
    (file,) = place.iterdir()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert last_words(RUN_ID) == WORDS
    assert last_words("20260921T141320Z-other-0000") is None
    forget_last_words(RUN_ID)
    assert last_words(RUN_ID) is None
    forget_last_words(RUN_ID)


def test_words_are_found_under_another_folder_for_temporary_files(
    tmp_path: Path, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service and a user have folders of their own; the run is one."""
    leave_last_words(RUN_ID, WORDS)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    assert last_words(RUN_ID) == WORDS


@pytest.mark.parametrize("lost", [0, 1])
def test_words_outlast_a_restart_and_a_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lost: int
) -> None:
    """One folder is emptied by a restart, the other may lie on the disk that has failed."""
    folders = (tmp_path / "memory", tmp_path / "disk")
    monkeypatch.setattr(lastwords, "shared_folders", lambda: folders)
    folders[1 - lost].mkdir()
    leave_last_words(RUN_ID, WORDS)
    assert last_words(RUN_ID) == WORDS
    folders[lost].mkdir()
    leave_last_words(RUN_ID, WORDS)
    forget_last_words(RUN_ID)
    assert [list(folder.iterdir()) for folder in folders] == [[], []]


def test_a_folder_that_does_not_answer_holds_the_end_up_only_for_a_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders = (tmp_path / "memory", tmp_path / "disk")
    monkeypatch.setattr(lastwords, "shared_folders", lambda: folders)
    monkeypatch.setattr(lastwords, "_WAIT_SECONDS", 0.2, raising=False)
    folders[0].mkdir()
    answered = threading.Event()
    really_written = lastwords.write_atomic

    def written(path: Path, data: bytes, mode: int) -> None:
        if path.parent == folders[1]:
            assert answered.wait(10.0), "the end waits for the disk"
        else:
            really_written(path, data, mode)

    monkeypatch.setattr(lastwords, "write_atomic", written)
    leave_last_words(RUN_ID, WORDS)
    answered.set()
    assert last_words(RUN_ID) == WORDS


def test_a_name_does_not_lead_out_of_the_folder(place: Path) -> None:
    leave_last_words(f"../../{RUN_ID}", WORDS)
    assert [file.parent for file in place.iterdir()] == [place]


def test_where_nothing_can_be_left_nothing_is_raised(place: Path) -> None:
    place.rmdir()
    leave_last_words(RUN_ID, WORDS)
    assert last_words(RUN_ID) is None


@pytest.mark.parametrize("content", [b"", b"junk", b"[]", b"{}", b'{"text": "x"}', b"[" * 60_000])
def test_odd_words_are_none(place: Path, content: bytes) -> None:
    leave_last_words(RUN_ID, WORDS)
    next(place.iterdir()).write_bytes(content)
    assert last_words(RUN_ID) is None


@pytest.mark.parametrize("kind", ["link", "pipe", "folder"])
def test_what_is_no_plain_file_is_nobodys_word(place: Path, tmp_path: Path, kind: str) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no pipes with a name")
    leave_last_words(RUN_ID, WORDS)
    (file,) = place.iterdir()
    target = file.rename(tmp_path / "elsewhere")
    {
        "link": lambda: file.symlink_to(target),
        "pipe": lambda: os.mkfifo(file),
        "folder": file.mkdir,
    }[kind]()
    assert last_words(RUN_ID) is None


def test_another_users_file_is_not_believed(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    leave_last_words(RUN_ID, WORDS)
    other = next(place.iterdir()).stat().st_uid + 1
    monkeypatch.setattr(os, "geteuid", lambda: other)
    assert last_words(RUN_ID) is None


@pytest.mark.parametrize(
    ("error", "boot_id", "cause"),
    [
        (StorageError("the drive is gone"), BOOT_ID, LossCause.STORAGE_FAILED),
        (StorageError("the drive is gone"), "boot-after", LossCause.STORAGE_FAILED),
        (StorageFull("no space left"), BOOT_ID, LossCause.STORAGE_FULL),
    ],
)
def test_a_run_whose_end_could_not_be_written_is_explained_by_its_own_words(
    tmp_path: Path,
    place: Path,
    monkeypatch: pytest.MonkeyPatch,
    error: StorageError,
    boot_id: str,
    cause: LossCause,
) -> None:
    writer = begin(tmp_path / "runs")
    assert writer.put(trial(1)).wait(30.0)

    def refused(*_: object, **__: object) -> None:
        raise error

    with monkeypatch.context() as broken:
        broken.setattr(RecordStore, "commit", refused)
        with pytest.raises(StorageError):
            writer.put(EVENT).wait(30.0)
        with pytest.raises(StorageError):
            writer.seal(Ending.ERROR, "")
    (lost,) = close_lost_runs(tmp_path / "runs", ManualClock(), boot_id, lambda _: False)
    assert (lost.cause, lost.ending, lost.closed) == (cause, Ending.ERROR, True)
    data = read_run(writer.folder)
    assert str(error) in data.ending_text
    assert data.failures == ()  # the machine is not to blame
    assert data.trials == (trial(1),)
    assert list(place.iterdir()) == []


def test_a_run_that_is_carried_on_is_not_explained_by_words_of_its_past(
    tmp_path: Path, place: Path
) -> None:
    folder = finished_run(tmp_path / "runs")
    leave_last_words(folder.name, WORDS)
    writer = RecordWriter.reopen(folder, Boot(1, BOOT_ID, "", 0.0, None), OWNER, ManualClock())
    writer.abandon()
    assert list(place.iterdir()) == []
    (lost,) = close_lost_runs(tmp_path / "runs", ManualClock(), BOOT_ID, lambda _: False)
    assert lost.cause is LossCause.HARNESS_KILLED
