"""SHA256SUMS: one digest for each file of a finished run, in the form that `sha256sum -c` reads.

It shows accidental changes; it is no signature, because whoever can change a file can change it.
"""

from __future__ import annotations

import re
from pathlib import Path

from harness.errors import RecordError, StorageError
from harness.record.files import open_plain, sha256_of, write_atomic

SUMS_NAME = "SHA256SUMS"
_LINE = re.compile(r"([0-9a-f]{64})  ([^\n]+)")
_MOST_BYTES = 4 << 20


def write_sums(folder: Path) -> Path:
    """Write the digests of all files below `folder`, hidden ones left out; returns the path.

    Raises StorageError; the old file is then still there.
    """
    try:
        lines = [f"{sha256_of(folder / name)}  {name}\n" for name in summed_files(folder)]
    except OSError as error:
        raise StorageError(f"{folder}: digests not made: {error.strerror or error}") from error
    path = folder / SUMS_NAME
    write_atomic(path, "".join(lines).encode("utf-8"))
    return path


def summed_files(folder: Path) -> list[str]:
    """Names, relative to `folder` and with forward slashes, of the files that have a digest."""
    return sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and _is_summed(path.relative_to(folder))
    )


def _is_summed(name: Path) -> bool:
    # The log and its index belong to an open record, hidden files to unfinished work.
    working = name.name.endswith(("-wal", "-shm", "-journal"))
    hidden = any(part.startswith(".") for part in name.parts)
    return not (working or hidden or name.as_posix() == SUMS_NAME)


def read_sums(folder: Path) -> dict[str, str]:
    """Digest by name as SHA256SUMS tells them. Raises RecordError when it is not well formed."""
    path = folder / SUMS_NAME
    try:
        with open_plain(path) as file:
            data = file.read(_MOST_BYTES + 1)
        if len(data) > _MOST_BYTES:
            raise RecordError("it is larger than a list of digests can be", path=path)
        text = data.decode("utf-8")
    except FileNotFoundError as error:
        raise RecordError("missing: the run was never finished", path=path) from error
    except (OSError, UnicodeDecodeError) as error:
        raise RecordError(f"not readable: {error}", path=path) from error
    return _parsed(path, text)


def _parsed(path: Path, text: str) -> dict[str, str]:
    digests: dict[str, str] = {}
    lines = text.split("\n")
    if lines.pop() != "":
        raise RecordError("its last line is not complete: it was cut or changed", path=path)
    for number, line in enumerate(lines, 1):
        match = _LINE.fullmatch(line)
        if match is None or match[2] in digests:
            raise RecordError(f"line {number} is no digest and name: it was changed", path=path)
        digests[match[2]] = match[1]
    return digests
