"""The folder of runs: where it is, what is in it, which run a word on the command line means."""

from __future__ import annotations

import json
import os
import re
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.clock import run_stamp
from harness.errors import RecordError, RigproofError, UsageError, nearest
from harness.outcome import Ending
from harness.record.database import RECORD_NAME
from harness.record.files import open_plain
from harness.record.opening import OpenRecord, open_record

SUMMARY_NAME = "summary.json"
RUNS_DIR_VARIABLE = "RIGPROOF_RUNS_DIR"

_RUN_ID = re.compile(r"[0-9]{8}T[0-9]{6}Z-[A-Za-z0-9._-]{1,80}")
_LONGEST_NAME = 40
_MOST_SUMMARY_BYTES = 32 << 20
_MOST_NAMED = 5


@dataclass(frozen=True)
class RunLine:
    """One run in the list. `ending` is None while it goes on or before its crash is explained.

    `verdict` is what summary.json says, None where there is none; `problem` says in one line why
    the rest is missing.
    """

    run_id: str
    folder: Path
    started_utc: str = ""
    profile_name: str = ""
    ending: Ending | None = None
    ended_utc: str | None = None
    verdict: str | None = None
    duration_seconds: float | None = None
    boots: int = 0
    trials: int = 0
    failures: int = 0
    size_bytes: int = 0
    problem: str = ""


def runs_folder(option: Path | None = None) -> Path:
    """Where runs are kept: `option`, else RIGPROOF_RUNS_DIR, else the user's data folder."""
    if option is not None:
        return option
    named = os.environ.get(RUNS_DIR_VARIABLE)
    if named:
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_data_dir("rigproof", appauthor=False)) / "runs"


def new_run_id(wall_ns: int, profile_name: str) -> str:
    """A new id: UTC start, the profile's name in safe letters, four digits against collisions."""
    words = re.sub(r"[^A-Za-z0-9]+", "-", profile_name).strip("-").lower()[:_LONGEST_NAME]
    return f"{run_stamp(wall_ns)}-{words.strip('-') or 'run'}-{secrets.token_hex(2)}"


def list_runs(runs_dir: Path) -> tuple[RunLine, ...]:
    """Every run below `runs_dir`, oldest first; a damaged one is listed with its problem.

    Empty when the folder does not exist. Raises RecordError when it cannot be listed.
    """
    return tuple(_line(folder) for folder in run_folders(runs_dir))


def run_folders(runs_dir: Path) -> list[Path]:
    """Folders below `runs_dir` that are, or look like, runs; sorted by name."""
    try:
        entries = sorted(runs_dir.iterdir()) if runs_dir.exists() else []
    except OSError as error:
        raise RecordError(f"the runs cannot be listed: {error.strerror}", path=runs_dir) from error
    return [entry for entry in entries if entry.is_dir() and _looks_like_run(entry)]


def resolve_run(runs_dir: Path, text: str) -> Path:
    """The folder of the run that `text` names: an id, a unique beginning of one, or a path.

    Raises UsageError, naming what is near, when there is none or more than one.
    """
    if not text or "\0" in text:
        raise UsageError("a run was expected: its id, the beginning of it, or a path")
    by_path = _as_path(Path(text))
    if by_path is not None:
        return by_path
    if Path(text).name != text or text in {".", ".."}:
        raise UsageError(f"'{text}' holds no record: give a run's folder, its record or its id")
    names = [folder.name for folder in run_folders(runs_dir)]
    found = [name for name in names if name == text] or [n for n in names if n.startswith(text)]
    if len(found) == 1:
        return _inside(runs_dir, found[0])
    raise UsageError(_unresolved(runs_dir, text, names, found))


def _unresolved(runs_dir: Path, text: str, names: list[str], found: list[str]) -> str:
    if found:
        named = ", ".join(found[:_MOST_NAMED]) + (", ..." if len(found) > _MOST_NAMED else "")
        return f"'{text}' is the beginning of {len(found)} runs ({named}): give more of the id"
    if not names:
        return f"'{text}' is no run: {runs_dir} holds none"
    return f"'{text}' is no run in {runs_dir}: {nearest(text, names[-20:])}"


def _as_path(path: Path) -> Path | None:
    if path.name == RECORD_NAME and path.is_file():
        return path.parent
    return path if (path / RECORD_NAME).is_file() else None


def _inside(runs_dir: Path, name: str) -> Path:
    folder = runs_dir / name
    if folder.resolve().parent != runs_dir.resolve():
        raise UsageError(f"run '{name}' leads out of {runs_dir}: give its path to use it there")
    return folder


def _looks_like_run(folder: Path) -> bool:
    return _RUN_ID.fullmatch(folder.name) is not None or (folder / RECORD_NAME).is_file()


def _line(folder: Path) -> RunLine:
    try:
        with open_record(folder) as record, record.database.snapshot():
            return _line_of(folder, record)
    except RigproofError as error:
        return RunLine(folder.name, folder, size_bytes=_size(folder), problem=str(error))


def _line_of(folder: Path, record: OpenRecord) -> RunLine:
    from harness.record.reader import read_end, read_header, utc_or_unknown
    from harness.record.tables import TableReader, count_rows

    header = read_header(record)
    tables = TableReader(record.database)
    end = read_end(tables)
    return RunLine(
        run_id=header["run_id"],
        folder=folder,
        started_utc=utc_or_unknown(header["created_wall_ns"]),
        profile_name=header["profile_name"],
        ending=end.ending,
        ended_utc=end.ended_utc,
        verdict=_verdict(folder),
        duration_seconds=end.at_seconds,
        boots=len(tables.latest("boots", "number")),
        trials=count_rows(record.database, "trials"),
        failures=count_rows(record.database, "failures"),
        size_bytes=_size(folder),
        problem="; ".join(tables.banners),
    )


def _size(folder: Path) -> int:
    try:
        return sum(path.stat().st_size for path in folder.iterdir() if path.is_file())
    except OSError:
        return 0


def _verdict(folder: Path) -> str | None:
    path = folder / SUMMARY_NAME
    try:
        with open_plain(path) as file:
            data = file.read(_MOST_SUMMARY_BYTES + 1)
        summary: Any = None if len(data) > _MOST_SUMMARY_BYTES else json.loads(data)
    except (OSError, ValueError, RecursionError):
        return None
    verdict = summary.get("verdict") if isinstance(summary, dict) else None
    return verdict if isinstance(verdict, str) else None
