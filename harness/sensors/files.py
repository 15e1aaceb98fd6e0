"""Small text files that a driver fills: opened once, read with pread, bounded and never blocking.

A kept descriptor costs a tenth of open, read and close. A path that is a FIFO, a device or a
folder is refused, so that no tree, however hostile, can make a read block or grow.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Callable
from pathlib import Path

#: Longest content that is read of one attribute; sysfs itself gives at most one page.
LIMIT_BYTES = 4096
#: Longest content of one of the long tables under /proc (interrupts of hundreds of CPUs).
TABLE_LIMIT_BYTES = 4 * 1024 * 1024
#: Digits of the largest 64-bit number; no driver has more to say, and Python's integers grow.
MOST_DIGITS = 20
#: Most entries that are looked at in one folder.
LIMIT_ENTRIES = 20_000

_FLAGS = (
    os.O_RDONLY
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_BINARY", 0)
)
_DIGITS = re.compile(r"(\d+)")
_WHOLE = re.compile(rf"[-+]?[0-9]{{1,{MOST_DIGITS}}}")


class Attribute:
    """One attribute file. `read` opens it when needed and keeps the descriptor.

    Belongs to one thread. Raises OSError as the driver gives it; the descriptor of an attribute
    that has gone is given back so that the next read looks for it again.
    """

    __slots__ = ("_descriptor", "path")

    def __init__(self, path: Path) -> None:
        self.path = path
        self._descriptor = -1

    def read(self, limit_bytes: int = LIMIT_BYTES) -> bytes:
        """The content from its beginning, at most `limit_bytes` of it."""
        try:
            if self._descriptor < 0:
                self._descriptor = open_regular(self.path)
            content = pread(self._descriptor, limit_bytes, 0)
        except OSError:
            self.close()
            raise
        if not content:
            self.close()
        return content

    def close(self) -> None:
        """Give the descriptor back; a later read opens the file again."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def open_regular(path: Path) -> int:
    """A descriptor of `path`, which must be a regular file (not a link, FIFO, device, folder)."""
    descriptor = os.open(path, _FLAGS)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "not a regular file", str(path))
    return descriptor


def _seek_and_read(descriptor: int, limit_bytes: int, offset: int) -> bytes:
    os.lseek(descriptor, offset, os.SEEK_SET)
    return os.read(descriptor, limit_bytes)


#: ``pread(descriptor, limit_bytes, offset)``, where the system lacks it made of two calls.
pread: Callable[[int, int, int], bytes] = getattr(os, "pread", _seek_and_read)


def read_bytes(path: Path, limit_bytes: int = LIMIT_BYTES) -> bytes:
    """The first `limit_bytes` of a regular file, read once. Raises OSError."""
    descriptor = open_regular(path)
    try:
        return _read_on(descriptor, limit_bytes)
    finally:
        os.close(descriptor)


def _read_on(descriptor: int, limit_bytes: int) -> bytes:
    # Files under /proc give one page at a time whatever is asked for.
    parts: list[bytes] = []
    left = limit_bytes
    while left > 0 and (part := os.read(descriptor, min(left, 1 << 16))):
        parts.append(part)
        left -= len(part)
    return b"".join(parts)


def read_text(path: Path, limit_bytes: int = LIMIT_BYTES) -> str:
    """A regular file's text, stripped; bytes that are not UTF-8 become U+FFFD. Raises OSError."""
    return read_bytes(path, limit_bytes).decode("utf-8", "replace").strip("\0 \t\r\n")


def text_or(path: Path, otherwise: str = "") -> str:
    """The file's text, or `otherwise` when it cannot be read (for names and labels only)."""
    try:
        return read_text(path)
    except OSError:
        return otherwise


def number_or_none(path: Path) -> int | None:
    """The whole number in a file, or None when there is none of a driver's size."""
    try:
        return whole_number(read_text(path))
    except OSError:
        return None


def whole_number(text: str) -> int | None:
    """`text` as a whole number of at most :data:`MOST_DIGITS` digits, or None."""
    return int(text) if _WHOLE.fullmatch(text) else None


def names_in(folder: Path, limit: int = LIMIT_ENTRIES) -> list[str]:
    """Names in `folder` in natural order (`temp2` before `temp10`), at most `limit` of them.

    A folder that is not there has no names; any other failure is raised as OSError.
    """
    names: list[str] = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if len(names) >= limit:
                    break
                names.append(entry.name)
    except (FileNotFoundError, NotADirectoryError):
        return []
    return sorted(names, key=natural_key)


def natural_key(name: str) -> list[tuple[int, str]]:
    """A sorting key under which numbers inside names count as numbers."""
    return [
        (int(part[:18]), "") if part.isdecimal() and part.isascii() else (-1, part)
        for part in _DIGITS.split(name)
        if part
    ]


def describe(error: OSError) -> str:
    """An errno as data for people: ``EIO: Input/output error``."""
    if error.errno is None:
        return str(error) or type(error).__name__
    return f"{errno.errorcode.get(error.errno, error.errno)}: {error.strerror}"


def inside(root: Path, path: Path) -> Path | None:
    """`path` with all links resolved, or None when that is a loop or leads out of `root`."""
    try:
        real = path.resolve(strict=True)
        return real if real.is_relative_to(root.resolve()) else None
    except (OSError, RuntimeError):
        return None


def below(root: Path, path: Path) -> str:
    """`path` relative to `root`, as text with forward slashes, for keys."""
    return path.relative_to(root.resolve()).as_posix()


def visible(text: str, limit: int = 120) -> str:
    """`text` as one printable line: control characters escaped, at most `limit` characters."""
    shown = "".join(sign if sign.isprintable() else _escaped(sign) for sign in text[: limit + 1])
    return shown if len(text) <= limit and len(shown) <= 4 * limit else shown[:limit] + "…"


def _escaped(sign: str) -> str:
    return sign.encode("unicode_escape").decode("ascii") if ord(sign) < 0x10000 else "\ufffd"
