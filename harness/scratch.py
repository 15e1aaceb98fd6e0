"""A private folder for what dies with the run: the board and the lanes' stderr.

On Linux it lies in memory, so that heartbeats cost no disk writes. A folder whose owner is gone
(kill -9, a crash) is removed by the next run.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from harness.errors import StorageError
from harness.record.files import temporary_folder

_PREFIX = "rigproof-"


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A new folder, mode 0700, removed at the end. Raises StorageError when there is no room."""
    base = _base()
    _sweep(base)
    try:
        folder = Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{os.getpid()}-", dir=base))
    except OSError as error:
        raise StorageError(
            f"{base}: no scratch folder can be made there: {error.strerror}: free some space"
        ) from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _base() -> Path:
    memory = Path("/dev/shm")  # noqa: S108 - mkdtemp makes a private folder in it
    usable = memory.is_dir() and os.access(memory, os.W_OK)
    return memory if usable else temporary_folder()


def _sweep(base: Path) -> None:
    """Remove folders of runs that are gone. Only ours: others' cannot be removed anyway."""
    import psutil

    for folder in base.glob(f"{_PREFIX}*-*"):
        owner = folder.name.removeprefix(_PREFIX).partition("-")[0]
        if owner.isdigit() and not psutil.pid_exists(int(owner)):
            shutil.rmtree(folder, ignore_errors=True)
