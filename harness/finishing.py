"""After the last load: the record is judged and the reports are written beside it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.results import RunResult

if TYPE_CHECKING:
    from harness.profile.model import Profile

#: Further judgements of a record lie here, so that the first one stays as it was.
JUDGEMENTS = "judgements"
#: Name in a record's context: JUnit cases of undecided criteria pass.
ALLOW_INCONCLUSIVE = "allow_inconclusive"
#: What is derived from a record, beside SHA256SUMS.
REPORT_NAMES = ("report.html", "junit.xml", "summary.json")


@dataclass(frozen=True)
class Concluded:
    """A judged run and the files that say so."""

    result: RunResult
    folder: Path
    files: tuple[Path, ...]


def conclude(folder: Path) -> Concluded:
    """Judge the run in `folder` by its own profile and write its reports, byte for byte alike."""
    from harness.judgement.analysis import analyse
    from harness.record.reader import read_run
    from harness.record.sums import write_sums
    from reports.write import write_reports

    data = read_run(folder)
    result = analyse(data)
    allow = bool(data.context.get(ALLOW_INCONCLUSIVE))
    files = write_reports(folder, result, allow_inconclusive=allow)
    return Concluded(result, folder, (*files, write_sums(folder)))


def remove_reports(folder: Path) -> None:
    """Take away what speaks of a run as it was before it went on; the record makes it again.

    Raises StorageError.
    """
    from harness.errors import StorageError

    try:
        for name in REPORT_NAMES:
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise StorageError(f"{folder}: old reports cannot be removed: {error.strerror}") from error


def conclude_under(folder: Path, profile: Profile, profile_text: str) -> Concluded:
    """Judge the run by another profile; the reports go to ``judgements/<digest>/``."""
    from harness.judgement.analysis import analyse
    from harness.record.reader import read_run
    from harness.record.sums import write_sums
    from reports.write import write_reports

    digest = hashlib.sha256(profile_text.encode()).hexdigest()[:16]
    place = folder / JUDGEMENTS / digest
    place.mkdir(parents=True, exist_ok=True)
    data = read_run(folder)
    result = analyse(data, profile)
    allow = bool(data.context.get(ALLOW_INCONCLUSIVE))
    files = write_reports(place, result, allow_inconclusive=allow)
    concluded = Concluded(result, place, (*files, write_sums(place)))
    write_sums(folder)  # the run's own digests name the further judgement too
    return concluded
