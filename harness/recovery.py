"""Runs that ended without their end: found, explained, judged and reported by the next command."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.clock import SYSTEM, Clock
from harness.errors import RecordError, RigproofError


def close_and_report(runs_dir: Path, root: Path = Path("/"), clock: Clock = SYSTEM) -> list[str]:
    """Close every lost run in the folder and write its report; one line each, for people.

    A run whose record has its end but whose report was never written (the harness was killed
    between the two) gets its report too. No load is ever started here. `root` is where the boot
    id is read.
    """
    return [*_close(runs_dir, root, clock), *_report_unreported(runs_dir)]


def _close(runs_dir: Path, root: Path, clock: Clock) -> Iterator[str]:
    from harness.machine.boot import boot_id
    from harness.record.endings import close_lost_runs
    from harness.record.owner import Owner, owner_is_alive

    def is_alive(owner: Owner) -> bool:
        # By process id and its mark alone: a run under --sysfs-root has a boot id from there,
        # and taking a running run for lost would be worse than closing a lost one later.
        return owner_is_alive(owner, owner.boot_id)

    for lost in close_lost_runs(runs_dir, clock, boot_id(root), is_alive):
        yield f"run {lost.run_id} ended without its end: {lost.text}"
        if lost.problem:
            yield f"  {lost.problem}"
        if lost.closed:
            yield _reported(lost.folder)


def _reported(folder: Path) -> str:
    from harness.finishing import conclude

    try:
        return f"  judged and reported in {conclude(folder).folder}"
    except RigproofError as error:
        return f"  could not be reported: {error}"
    except Exception as error:  # noqa: BLE001 - one run's bug must not stop every command here
        what = f"{type(error).__name__}: {error}"
        return f"  could not be reported, a bug: {what}; `rigproof report {folder.name}` shows it"


def _report_unreported(runs_dir: Path) -> Iterator[str]:
    """Another process that is just about to write the same report writes the same bytes."""
    from harness.finishing import REPORT_NAMES
    from harness.record.listing import run_folders

    for folder in run_folders(runs_dir):
        whole = all((folder / name).is_file() for name in REPORT_NAMES)
        if not whole and _has_ended(folder):
            yield f"run {folder.name} had ended, but its report was not written"
            yield _reported(folder)


def _has_ended(folder: Path) -> bool:
    """True for a sealed record with its end; a damaged one is `rigproof runs`' to tell."""
    from harness.record.database import RECORD_NAME, log_in_use
    from harness.record.progress import progress

    try:
        path = folder / RECORD_NAME
        if not path.is_file() or log_in_use(path):
            return False
        return progress(folder).end.ending is not None
    except (RecordError, OSError):
        return False
