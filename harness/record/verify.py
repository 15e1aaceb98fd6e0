"""Looks for accidental changes in a finished run: digests, hash chain, SQLite's own check.

None of it is a signature: it shows a bad bit, a cut copy or an edit, not a forger.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path, PurePosixPath

from harness.errors import RecordError
from harness.record.chaincheck import chain_problems
from harness.record.database import RECORD_NAME, Database
from harness.record.files import sha256_of
from harness.record.opening import open_record
from harness.record.reader import read_end, read_header
from harness.record.sums import SUMS_NAME, read_sums, summed_files
from harness.record.tables import TableReader

_MOST_OF_A_KIND = 10


@dataclass(frozen=True)
class Problem:
    """One thing that is not as it was written; `file` is relative to the run's folder."""

    file: str
    text: str


def verify_run(folder: Path) -> tuple[Problem, ...]:
    """Everything that is wrong with the run in `folder`; empty when all is as it was written.

    A damaged record is a problem here, never an exception.
    """
    return (*_sums_problems(folder), *_record_problems(folder))


def _sums_problems(folder: Path) -> Iterator[Problem]:
    try:
        digests = read_sums(folder)
    except RecordError as error:
        yield Problem(SUMS_NAME, str(error))
        return
    for name, digest in digests.items():
        text = _digest_problem(folder, name, digest)
        if text:
            yield Problem(name if _stays_inside(name) else SUMS_NAME, text)
    for name in summed_files(folder):
        if name not in digests:
            yield Problem(name, f"not listed in {SUMS_NAME}: it was added later or renamed")


def _digest_problem(folder: Path, name: str, digest: str) -> str:
    if not _stays_inside(name):
        return f"it names {name!r}, which is outside the run's folder"
    path = folder / name
    if not path.resolve().is_relative_to(folder.resolve()):
        return "it leads out of the run's folder"
    try:
        found = sha256_of(path)
    except FileNotFoundError:
        return f"listed in {SUMS_NAME} but missing"
    except OSError as error:
        return f"not readable: {error.strerror or error}"
    return "" if found == digest else f"its SHA-256 is not that in {SUMS_NAME}: one was changed"


def _stays_inside(name: str) -> bool:
    path = PurePosixPath(name)
    return not (path.is_absolute() or ".." in path.parts or "\\" in name or "\0" in name)


def _record_problems(folder: Path) -> Iterator[Problem]:
    try:
        with open_record(folder) as record:
            for banner in record.banners:
                yield Problem(RECORD_NAME, banner)
            read_header(record)
            if read_end(TableReader(record.database)).ending is None:
                yield Problem(RECORD_NAME, "it has no end event: the run goes on or crashed")
            for text in _limited(_integrity_problems(record.database)):
                yield Problem(RECORD_NAME, text)
            for text in _limited(chain_problems(record.database)):
                yield Problem(RECORD_NAME, text)
    except RecordError as error:
        yield Problem(RECORD_NAME, str(error))


def _limited(texts: Iterator[str]) -> Iterator[str]:
    yield from islice(texts, _MOST_OF_A_KIND)
    if next(texts, None) is not None:
        yield "and more like it"


def _integrity_problems(database: Database) -> Iterator[str]:
    try:
        for (text,) in database.query(f"PRAGMA integrity_check({_MOST_OF_A_KIND})"):
            if text != "ok":
                yield f"SQLite's check: {text!r}"
        for table, row, parent, _ in database.query("PRAGMA foreign_key_check"):
            yield f"row {row!r} of {table!r} belongs to a row of {parent!r} that is missing"
    except RecordError as error:
        yield f"SQLite's check could not be made: {error}"
