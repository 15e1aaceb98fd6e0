"""Where runs find each other: one folder for the whole machine, whoever starts them.

The folder for temporary files is no such place: TMPDIR differs from user to user, and systemd gives
a service with PrivateTmp= a /tmp and a /var/tmp of its own (systemd.exec(5)). Containers are
machines of their own here unless they share the folder.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.record.files import temporary_folder

#: Names another folder. Whoever sets it must set it alike for everybody who runs rigproof here.
SHARED_FOLDER_VARIABLE = "RIGPROOF_SHARED_FOLDER"
#: Everybody's folders, in memory first: no private /tmp hides that one. /private/tmp is what /tmp
#: links to on macOS (from memory).
_FLEETING = ("/dev/shm", "/tmp", "/private/tmp")  # noqa: S108 - who writes there is wary of it
#: Kept over restarts (Filesystem Hierarchy Standard 3.0, section 5.15).
_LASTING = ("/var/tmp",)  # noqa: S108 - the same


def shared_folder(places: Sequence[str] = _FLEETING) -> Path:
    """The folder that all runs on this machine share, for what ends with the boot.

    The variable's, else the first of `places` that is everybody's, else the folder for temporary
    files, which may be each user's own. Raises StorageError when there is none.
    """
    named = os.environ.get(SHARED_FOLDER_VARIABLE)
    if named:
        return Path(named)
    return next(_everybodys(places), None) or temporary_folder()


def shared_folders(lasting: Sequence[str] = _LASTING) -> tuple[Path, ...]:
    """That folder and the one that outlasts a restart, where there is one."""
    first = shared_folder()
    more = () if os.environ.get(SHARED_FOLDER_VARIABLE) else tuple(_everybodys(lasting))
    return (first, *more)


def _everybodys(places: Sequence[str]) -> Iterator[Path]:
    """Those of `places` where everybody may write and nobody may remove another's file.

    The mode decides and not access(2), so that root and every user come to the same answer.
    """
    for place in places:
        try:
            mode = os.lstat(place).st_mode
        except OSError:
            continue
        if stat.S_ISDIR(mode) and mode & stat.S_ISVTX and mode & stat.S_IWOTH:
            yield Path(place)
