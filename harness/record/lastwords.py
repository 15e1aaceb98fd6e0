"""What a run could not write into its record, because the storage had failed: kept elsewhere.

Without it a pulled drive would look like a killed harness when it is plugged in again. The note
lies in the system's folder for temporary files under the run's id; whoever closes the run takes it
into the record and removes it.
"""

from __future__ import annotations

import json
import os
import stat
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from harness.errors import StorageError
from harness.record.files import temporary_folder, write_atomic

_MOST_BYTES = 1 << 16
_NO_WAIT = getattr(os, "O_NONBLOCK", 0)


@dataclass(frozen=True)
class LastWords:
    """Why a run's end could not be written; `full` says that it was for want of space."""

    text: str
    full: bool


def leave_last_words(run_id: str, words: LastWords) -> None:
    """Keep `words`. Where that fails too nothing more can be done, so nothing is raised."""
    with suppress(StorageError):
        write_atomic(_path(run_id), json.dumps(asdict(words)).encode(), mode=0o600)


def last_words(run_id: str) -> LastWords | None:
    """What the run `run_id` left, or None.

    The folder is everybody's, so a link, a pipe or another user's file is nobody's word.
    """
    try:
        descriptor = os.open(_path(run_id), os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | _NO_WAIT)
    except (OSError, StorageError):
        return None
    try:
        state = os.fstat(descriptor)
        if not stat.S_ISREG(state.st_mode) or not _is_mine(state):
            return None
        return _parsed(os.read(descriptor, _MOST_BYTES))
    finally:
        os.close(descriptor)


def forget_last_words(run_id: str) -> None:
    """Remove them: they are in the record now."""
    with suppress(OSError, StorageError):
        _path(run_id).unlink()


def _path(run_id: str) -> Path:
    return temporary_folder() / f"rigproof-unsaid-{Path(run_id).name}.json"


def _is_mine(state: os.stat_result) -> bool:
    return not hasattr(os, "geteuid") or state.st_uid == os.geteuid()


def _parsed(data: bytes) -> LastWords | None:
    try:
        told = json.loads(data)
        return LastWords(str(told["text"]), bool(told["full"]))
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
