"""Where the template process has its socket: a place whose name is short enough for one.

The address of a Unix socket holds 108 bytes on Linux and 104 on BSD and macOS, the closing zero
included (unix(7), FreeBSD's unix(4)); a folder for temporary files may have a longer name.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from multiprocessing import util
from pathlib import Path

from harness.errors import BrokenEnvironment
from harness.record.files import temporary_folder

#: The shorter of the two addresses, without its closing zero.
_MOST_BYTES = 103
#: What multiprocessing puts below the folder for temporary files, with room to spare.
_BELOW_BYTES = len("/pymp-12345678/listener-12345678") + 8
_SHORT_PLACES = ("/tmp", "/var/tmp", "/dev/shm")  # noqa: S108 - a private folder is made in it


def choose_socket_folder(short_places: Sequence[str] = _SHORT_PLACES) -> None:
    """Make multiprocessing's folder where its sockets' addresses fit, if TMPDIR is too long.

    The folder is private, and removed when this process ends. Raises StorageError when no
    folder for temporary files can be used, BrokenEnvironment when none has a short name.
    """
    usual = str(temporary_folder())
    if _fits(usual):
        return
    for place in short_places:
        if _fits(place) and Path(place).is_dir() and os.access(place, os.W_OK | os.X_OK):
            _make_folder_in(place)
            return
    raise BrokenEnvironment(
        f"TMPDIR is {len(os.fsencode(usual))} bytes long, and a socket's address below it has "
        f"room for {_MOST_BYTES - _BELOW_BYTES}: set TMPDIR to a shorter folder ({usual})"
    )


def _fits(place: str) -> bool:
    return len(os.fsencode(place)) + _BELOW_BYTES <= _MOST_BYTES


def _make_folder_in(place: str) -> None:
    """multiprocessing makes its folder once, and where the tempfile module says at that moment."""
    before = tempfile.tempdir
    tempfile.tempdir = place
    try:
        util.get_temp_dir()
    finally:
        tempfile.tempdir = before
