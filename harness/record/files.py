"""Files that are whole or not there: temporary file, fsync, rename, fsync of the folder."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import IO

from harness.errors import StorageError

_PIECE_BYTES = 1 << 20


def temporary_folder() -> Path:
    """The system's folder for temporary files. Raises StorageError when none can be used."""
    try:
        return Path(tempfile.gettempdir())
    except OSError as error:
        raise StorageError(
            f"no folder for temporary files can be written ({error.strerror}): free some space, "
            "or set TMPDIR to a writable folder"
        ) from error


def fsync_folder(folder: Path) -> None:
    """Make names created in `folder` survive a power cut; nothing to do where that is unknown."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_atomic(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Put `data` at `path` so that a reader sees the old file or the whole new one.

    Raises StorageError when the folder cannot be written; the old file is then still there.
    """
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        _write_synced(part, data, mode)
        part.replace(path)
        fsync_folder(path.parent)
    except OSError as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise StorageError(f"{path}: not written: {error.strerror or error}") from error


def _write_synced(path: Path, data: bytes, mode: int) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def open_plain(path: Path) -> IO[bytes]:
    """Open a file to read. Raises OSError, also for what is no plain file.

    A stranger's folder may hold a pipe, and opening one would wait for ever.
    """
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "no plain file", str(path))
    return path.open("rb")


def sha256_of(path: Path) -> str:
    """SHA-256 of a plain file's bytes in hexadecimal, read piece by piece. Raises OSError."""
    digest = hashlib.sha256()
    with open_plain(path) as file:
        while piece := file.read(_PIECE_BYTES):
            digest.update(piece)
    return digest.hexdigest()
