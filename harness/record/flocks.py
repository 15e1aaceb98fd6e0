"""Locks that end with their process, whatever kills it: flock(2).

They belong to the file and not to a process id, so they hold between containers and namespaces of
process ids that share the file, and a process id that is used again means nothing to them.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


def take_flock(descriptor: int) -> bool:
    """Lock an open file or folder until it is closed; False while another open of it has the lock.

    Raises OSError where the system or the file system has no such locks.
    """
    try:
        import fcntl
    except ImportError as error:
        raise OSError(errno.ENOTSUP, "there are no locks on files here") from error
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


@contextmanager
def holding(folder: Path) -> Iterator[bool]:
    """Hold a folder meanwhile; False where somebody else does, True where it cannot be known."""
    descriptor = None
    is_free = True
    with suppress(OSError):  # no such locks, or a folder that only another user may read
        descriptor = os.open(folder, os.O_RDONLY)
        is_free = take_flock(descriptor)
    try:
        yield is_free
    finally:
        if descriptor is not None:
            os.close(descriptor)
