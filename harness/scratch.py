"""A private folder for what dies with the run: the board and the lanes' stderr.

On Linux it lies in memory, so that heartbeats cost no disk writes. A folder whose owner is gone
(kill -9, a crash) is removed by the next run. Its owner holds flock(2) on it, which ends with the
owner and at no other time: a process id would mean another process in a container that shares the
memory, and may be used again here.
"""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from harness.errors import StorageError
from harness.record.files import temporary_folder
from harness.record.flocks import take_flock

_PREFIX = "rigproof-"
#: Another run may sweep a new folder in the moment before it is held; that it does so thrice in a
#: row has another reason.
_TRIES = 3
_FOLDER = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0)


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A new folder, mode 0700, removed at the end. Raises StorageError when there is no room."""
    base = _base()
    _sweep(base)
    folder, held = _made(base)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if held is not None:
            os.close(held)


def _base() -> Path:
    memory = Path("/dev/shm")  # noqa: S108 - mkdtemp makes a private folder in it
    usable = memory.is_dir() and os.access(memory, os.W_OK)
    return memory if usable else temporary_folder()


def _made(base: Path) -> tuple[Path, int | None]:
    """A new folder and the descriptor that holds it, None where folders cannot be locked."""
    for _ in range(_TRIES):
        folder = _new(base)
        try:
            held = _opened(folder)
        except FileNotFoundError:
            continue  # swept
        except OSError:
            return folder, None
        with suppress(OSError):
            if not take_flock(held) or not _is_there(folder, held):
                os.close(held)
                continue  # being swept, or swept
        return folder, held
    raise StorageError(f"{base}: every new scratch folder is removed at once: see what cleans up")


def _new(base: Path) -> Path:
    try:
        return Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{os.getpid()}-", dir=base))
    except OSError as error:
        raise StorageError(
            f"{base}: no scratch folder can be made there: {error.strerror}: free some space"
        ) from error


def _opened(folder: Path) -> int:
    """A descriptor of the folder itself; raises OSError, also for a link in its place."""
    return os.open(folder, _FOLDER)


def _is_there(folder: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), folder.lstat())
    except FileNotFoundError:
        return False


def _sweep(base: Path) -> None:
    """Remove folders of runs that are gone. Only ours: others' cannot be removed anyway."""
    for folder in base.glob(f"{_PREFIX}*-*"):
        owner = folder.name.removeprefix(_PREFIX).partition("-")[0]
        if not owner.isdigit():
            continue
        if os.name == "nt":
            _remove_without_process(folder, int(owner))
            continue
        with suppress(OSError):  # no folder, another user's, or one that cannot be locked
            _remove_if_left(folder)


def _remove_without_process(folder: Path, pid: int) -> None:
    """Where folders cannot be locked the process id must do."""
    import psutil

    if not psutil.pid_exists(pid):
        shutil.rmtree(folder, ignore_errors=True)


def _remove_if_left(folder: Path) -> None:
    descriptor = _opened(folder)
    try:
        if _is_private(descriptor) and take_flock(descriptor):
            shutil.rmtree(folder, ignore_errors=True)
    finally:
        os.close(descriptor)


def _is_private(descriptor: int) -> bool:
    """Made by this user and for nobody else, as every scratch folder is."""
    state = os.fstat(descriptor)
    mine = not hasattr(os, "geteuid") or state.st_uid == os.geteuid()
    return mine and stat.S_IMODE(state.st_mode) & 0o077 == 0
