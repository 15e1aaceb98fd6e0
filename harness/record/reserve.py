"""A little space kept back in the run's folder, given up when the disk is full.

Without it the last thing that a full disk prevents is the record of the disk being full.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

from harness.errors import StorageError, StorageFull
from harness.record.files import fsync_folder

RESERVE_NAME = ".reserve"
#: A last commit, the log moved into the file and its rollback journal need a fraction of this.
RESERVE_BYTES = 1 << 20


def hold_reserve(folder: Path) -> None:
    """Fill the reserve; random bytes, because a file system may compress others to nothing.

    Raises StorageFull when not even that much is free, else StorageError.
    """
    path = folder / RESERVE_NAME
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(os.urandom(RESERVE_BYTES))
            file.flush()
            os.fsync(descriptor)
    except OSError as error:
        release_reserve(folder)
        kind = StorageFull if error.errno == errno.ENOSPC else StorageError
        raise kind(
            f"{path}: not written: {error.strerror}: a run needs at least 1 MiB to spare, "
            "free space or choose another --runs-dir"
        ) from error


def release_reserve(folder: Path) -> bool:
    """Give the space back to the file system; False when there was none to give."""
    path = folder / RESERVE_NAME
    try:
        path.unlink()
        fsync_folder(folder)
    except OSError:
        return False
    return True
