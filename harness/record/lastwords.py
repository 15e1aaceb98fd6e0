"""What a run could not write into its record, because the storage had failed: kept elsewhere.

Without it a pulled drive would look like a killed harness when it is plugged in again. The note
lies under the run's id in the folders that all runs on the machine share: in memory, where a full
or failed disk does not matter, and where it outlasts a restart. Whoever closes the run takes it
into the record and removes it.
"""

from __future__ import annotations

import json
import os
import stat
import threading
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from harness.errors import StorageError
from harness.record.files import write_atomic
from harness.record.places import shared_folders

_MOST_BYTES = 1 << 16
#: A storage that has just failed may never answer, and the run must end all the same.
_WAIT_SECONDS = 5.0
_NO_WAIT = getattr(os, "O_NONBLOCK", 0)


@dataclass(frozen=True)
class LastWords:
    """Why a run's end could not be written; `full` says that it was for want of space."""

    text: str
    full: bool


def leave_last_words(run_id: str, words: LastWords) -> None:
    """Keep `words`. Where that fails too nothing more can be done, so nothing is raised.

    Each folder gets a few seconds to take them.
    """
    data = json.dumps(asdict(words)).encode()
    threads = [
        threading.Thread(target=_leave, args=(path, data), daemon=True) for path in _paths(run_id)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(_WAIT_SECONDS)


def _leave(path: Path, data: bytes) -> None:
    with suppress(StorageError):
        write_atomic(path, data, mode=0o600)


def last_words(run_id: str) -> LastWords | None:
    """What the run `run_id` left, or None.

    The folders are everybody's, so a link, a pipe or another user's file is nobody's word.
    """
    found = (_read(path) for path in _paths(run_id))
    return next((words for words in found if words is not None), None)


def forget_last_words(run_id: str) -> None:
    """Remove them: they are in the record now."""
    for path in _paths(run_id):
        with suppress(OSError):
            path.unlink()


def _paths(run_id: str) -> tuple[Path, ...]:
    """Where the note of `run_id` lies; () where there is no folder at all."""
    try:
        folders = shared_folders()
    except StorageError:
        return ()
    return tuple(folder / f"rigproof-unsaid-{Path(run_id).name}.json" for folder in folders)


def _read(path: Path) -> LastWords | None:
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | _NO_WAIT)
    except OSError:
        return None
    try:
        state = os.fstat(descriptor)
        if not stat.S_ISREG(state.st_mode) or not _is_mine(state):
            return None
        return _parsed(os.read(descriptor, _MOST_BYTES))
    finally:
        os.close(descriptor)


def _is_mine(state: os.stat_result) -> bool:
    return not hasattr(os, "geteuid") or state.st_uid == os.geteuid()


def _parsed(data: bytes) -> LastWords | None:
    try:
        told = json.loads(data)
        return LastWords(str(told["text"]), bool(told["full"]))
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
