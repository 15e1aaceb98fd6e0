"""One run on one machine: a lock file with the owner's name, age and run.

Two loads at once would measure each other. The file lies in the folder that all runs on the machine
share, so that it is seen by every user and every runs folder. A lock whose owner is gone is taken
over, and what was found is said. The owner holds flock(2) on the file too: where it lives in a
container whose process ids mean nothing here, its lock is still known to be held.
"""

from __future__ import annotations

import errno
import json
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import IO

from harness.clock import NS_PER_SECOND, SYSTEM, Clock, iso_utc
from harness.errors import RefusedStart, StorageError
from harness.machine.boot import boot_id
from harness.record.flocks import take_flock
from harness.record.owner import Owner, owner_is_alive
from harness.record.places import SHARED_FOLDER_VARIABLE, shared_folder
from harness.units import duration

LOCK_NAME = "rigproof-run.lock"
#: In a run's folder: held while a command closes or reopens that run. Hidden, no part of the run.
CLOSING_NAME = ".closing.lock"
_MOST_BYTES = 1 << 16
#: How often, and how far apart, a lock made in place is tried to be held: who judges it for stale
#: holds it for a moment.
_HOLD_TRIES = 100
_HOLD_PAUSE_SECONDS = 0.01
#: What link(2) says on a file system without hard links, as FAT on a memory stick is.
_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS)
#: The folder is everybody's: a link is not followed, and opening a pipe does not wait.
_WARILY = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


@dataclass(frozen=True)
class Holder:
    """What a lock file says of the run that took it; times are of the boot clock."""

    owner: Owner
    run_id: str
    taken_utc: str
    taken_boot_ns: int


class MachineLock:
    """The held lock; release it, or use it in a `with` statement."""

    def __init__(self, path: Path, file: IO[str], token: str, stale_note: str) -> None:
        self.path = path
        #: One sentence on a stale lock that was taken over, else empty.
        self.stale_note = stale_note
        #: Open as long as the lock is held: flock(2) ends when it is closed.
        self._file = file
        self._token = token

    @classmethod
    def acquire(
        cls,
        owner: Owner,
        run_id: str,
        clock: Clock,
        *,
        folder: Path | None = None,
        name: str = LOCK_NAME,
    ) -> MachineLock:
        """Take the lock for `run_id`; `folder` and `name` are given to lock less than the machine.

        The boot is the one that this process runs in, whatever tree describes the machine to the
        run. Raises RefusedStart when another run is under way, naming it, its process and its age,
        or when something else lies in the lock's place, and StorageError when the lock file cannot
        be written.
        """
        path = (folder or shared_folder()) / name
        here = replace(owner, boot_id=boot_id())
        token = _token_text(here, run_id, clock)
        note = ""
        for _ in range(2):
            file = _create(path, token)
            if file is not None:
                return cls(path, file, token, note)
            note = _take_away_if_stale(path, here.boot_id, clock) or note
        raise _just_taken(path)

    def release(self) -> None:
        """Remove the lock, unless it is no longer ours."""
        with suppress(OSError, RefusedStart):
            if _read(self.path) == self._token:
                self.path.unlink()
        self._file.close()

    def __enter__(self) -> MachineLock:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()


def _token_text(owner: Owner, run_id: str, clock: Clock) -> str:
    told = {
        "run_id": run_id,
        "pid": owner.pid,
        "mark": owner.mark,
        "boot_id": owner.boot_id,
        "terminal": owner.terminal,
        "taken_utc": iso_utc(clock.wall_ns()),
        "taken_boot_ns": clock.boot_ns(),
        "token": secrets.token_hex(8),
    }
    return json.dumps(told) + "\n"


def _create(path: Path, token: str) -> IO[str] | None:
    """Put the whole lock there in one step, already held; None when there is one."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    try:
        file = _written(part, token)
        if not file.closed:
            _hold(file)  # nobody else knows its name yet
        return _placed(file, part, path, token)
    except OSError as error:
        raise StorageError(
            f"{path}: the lock cannot be written: {error.strerror}: {_remedy(path)}"
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _placed(file: IO[str], part: Path, path: Path, token: str) -> IO[str] | None:
    try:
        if _moved_without_replacing(part, path):
            return file
    except OSError as error:
        file.close()
        if error.errno not in _NO_LINKS:
            raise
        return _created_in_place(path, token)
    file.close()
    return None


def _created_in_place(path: Path, token: str) -> IO[str] | None:
    """Without links the lock is there for a moment before it is held: was it left to us?"""
    try:
        file = _written(path, token)
    except FileExistsError:
        return None
    if not _held_at_last(file):
        file.close()
        raise _just_taken(path)
    with suppress(FileNotFoundError):
        if os.path.samestat(os.fstat(file.fileno()), path.lstat()):
            return file
    file.close()
    return None


def _held_at_last(file: IO[str]) -> bool:
    """Hold the lock once whoever looks whether it is stale has let it go; False when none does."""
    for _ in range(_HOLD_TRIES):
        if _hold(file):
            return True
        SYSTEM.sleep(_HOLD_PAUSE_SECONDS)
    return False


def _hold(file: IO[str]) -> bool:
    try:
        return take_flock(file.fileno())
    except OSError:
        return True  # a file system without locks: the process id must do


def _remedy(path: Path) -> str:
    own = f"free some space in {path.parent}, or make it writable"
    elsewhere = f", or set {SHARED_FOLDER_VARIABLE} to another folder, alike for every user"
    return own + (elsewhere if path.name == LOCK_NAME else "")


def _written(part: Path, token: str) -> IO[str]:
    """A new file that says `token`, readable for everybody and open where that is so."""
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    file = os.fdopen(descriptor, "w", encoding="utf-8", newline="")
    try:
        with suppress(OSError):  # a strict umask would hide from other users whose run it is
            part.chmod(0o644)
        file.write(token)
        file.flush()
    except BaseException:
        file.close()
        raise
    if os.name == "nt":
        file.close()  # an open file cannot be moved there
    return file


def _moved_without_replacing(part: Path, path: Path) -> bool:
    try:
        if os.name == "nt":
            part.rename(path)  # refuses an existing name there
        else:
            path.hardlink_to(part)
    except FileExistsError:
        return False
    return True


def _take_away_if_stale(path: Path, boot: str, clock: Clock) -> str:
    """A note on the stale lock that was removed; raises RefusedStart when its owner lives."""
    try:
        text = _read(path)
    except FileNotFoundError:
        return ""
    holder = _holder_of(text)
    if holder is not None and owner_is_alive(holder.owner, boot):
        raise RefusedStart(
            f"run {holder.run_id} is under way on this machine (process {holder.owner.pid}, "
            f"{_age(holder, boot, clock)}): wait for its end or stop it"
        )
    if not _remove(path, text):
        return ""
    if holder is None:
        return f"the lock {path} was not readable and was removed"
    why = "its process is gone" if holder.owner.boot_id == boot else "the machine restarted"
    return (
        f"a lock of run {holder.run_id} (process {holder.owner.pid}, "
        f"{_age(holder, boot, clock)}) was stale, {why}, and was removed"
    )


def _read(path: Path) -> str:
    with _opened(path) as file:
        return _text_of(file)


@contextmanager
def _opened(path: Path) -> Iterator[IO[bytes]]:
    """The lock file. Raises FileNotFoundError, and RefusedStart for what cannot be one."""
    try:
        descriptor = os.open(path, os.O_RDONLY | _WARILY)
    except FileNotFoundError:
        raise
    except PermissionError as error:
        raise RefusedStart(
            f"{path} cannot be read: {error.strerror}: it may be the lock of another user's run: "
            "wait for its end, or let its owner remove it"
        ) from error
    except OSError as error:
        raise _no_lock(path) from error
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise _no_lock(path)
    with os.fdopen(descriptor, "rb") as file:
        yield file


def _text_of(file: IO[bytes]) -> str:
    return file.read(_MOST_BYTES).decode("utf-8", "replace")


def _no_lock(path: Path) -> RefusedStart:
    return RefusedStart(
        f"{path} is no plain file that can be read, so it is no run's lock: remove it"
    )


def _just_taken(path: Path) -> RefusedStart:
    return RefusedStart(
        f"another run has just taken {path}, or holds it from another container: wait until it has "
        "ended"
    )


def _remove(path: Path, text: str) -> bool:
    """Remove the lock that says `text`; False when it is there no more or somebody is at it."""
    try:
        return _remove_aside(path, text) if os.name == "nt" else _remove_in_place(path, text)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise RefusedStart(
            f"the stale lock {path} cannot be removed: {error.strerror}: its owner or root must "
            "remove it"
        ) from error


def _remove_in_place(path: Path, text: str) -> bool:
    """A stale lock leaves its place only by whoever holds flock(2) on it, so none is mistaken."""
    with _opened(path) as file:
        if _text_of(file) != text or not take_flock(file.fileno()):
            return False
        if not os.path.samestat(os.fstat(file.fileno()), path.lstat()):
            return False
        path.unlink()
        return True


def _remove_aside(path: Path, text: str) -> bool:
    """Where an open file cannot be removed: a lock that was mistaken is put back, or kept."""
    aside = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    path.rename(aside)
    if _read(aside) == text:
        aside.unlink()
        return True
    if not _moved_without_replacing(aside, path):
        raise _just_taken(path)
    aside.unlink(missing_ok=True)
    return False


def _holder_of(text: str) -> Holder | None:
    try:
        told = json.loads(text)
        owner = Owner(
            int(told["pid"]), str(told["mark"]), str(told["boot_id"]), (), str(told["terminal"])
        )
        return Holder(
            owner, str(told["run_id"]), str(told["taken_utc"]), int(told["taken_boot_ns"])
        )
    except (ValueError, KeyError, TypeError, RecursionError):
        return None


def _age(holder: Holder, boot: str, clock: Clock) -> str:
    if holder.owner.boot_id != boot:
        return f"since {holder.taken_utc}"
    seconds = (clock.boot_ns() - holder.taken_boot_ns) / NS_PER_SECOND
    return f"for {duration(max(seconds, 0.0))}"
