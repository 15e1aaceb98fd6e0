"""Writes the report files of a run: whole or not at all, and the same bytes every time."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from harness.compared import Comparison
from harness.errors import StorageError
from harness.results import RunResult
from reports.comparison_html import comparison_html
from reports.html import report_html
from reports.junit import junit_xml
from reports.summary import summary_json

#: A report is meant to be shown: readable by all, as far as the user's umask lets it.
_MODE = 0o644


def write_reports(
    folder: Path, result: RunResult, *, allow_inconclusive: bool = False
) -> tuple[Path, ...]:
    """Write report.html, junit.xml and summary.json into `folder`; return their paths.

    Everything is rendered before the first file is touched, and no file appears under its name
    before all of them are on the disk: half a set would look whole. The bytes depend on `result`
    alone (and, for junit.xml, on `allow_inconclusive`). Raises StorageError when the folder cannot
    be written.
    """
    texts = {
        "report.html": report_html(result),
        "junit.xml": junit_xml(result, allow_inconclusive=allow_inconclusive),
        "summary.json": summary_json(result),
    }
    return _write_together({folder / name: text for name, text in texts.items()})


def write_comparison(path: Path, comparison: Comparison, *, before: str, after: str) -> Path:
    """Write `comparison` as one HTML file; `before` and `after` name the two sides."""
    return write_whole(path, comparison_html(comparison, before=before, after=after))


def write_whole(path: Path, text: str) -> Path:
    """Write `text` as UTF-8 to `path` by temporary file, fsync and rename.

    Raises StorageError; the temporary file is gone then, and an older `path` is untouched.
    """
    return _write_together({path: text})[0]


def _write_together(texts: Mapping[Path, str]) -> tuple[Path, ...]:
    path = Path()
    try:
        for path, text in texts.items():
            _write_part(_part(path), text.encode("utf-8"))
        for path in texts:
            _part(path).replace(path)
        for folder in {path.parent for path in texts}:
            _sync_folder(folder)
    except OSError as error:
        raise StorageError(
            f"{path}: the report could not be written ({error.strerror or error}); "
            "free some space or choose another folder, then run `rigproof report` again"
        ) from error
    finally:
        for each in texts:
            with suppress(OSError):
                _part(each).unlink(missing_ok=True)
    return tuple(texts)


def _part(path: Path) -> Path:
    return path.with_name(f".{path.name}.{os.getpid()}.part")


def _write_part(path: Path, content: bytes) -> None:
    path.unlink(missing_ok=True)
    # O_EXCL: never through a link that somebody laid in a shared folder.
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags, _MODE), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """Make the rename itself survive a power cut, where folders can be opened at all."""
    flag = getattr(os, "O_DIRECTORY", None)
    if flag is None:
        return
    descriptor = os.open(folder, os.O_RDONLY | flag)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
