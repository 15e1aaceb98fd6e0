"""Finds runs that ended without their end event, says why, and closes them as finished results.

On a tuned machine the crash is the most interesting result, so it becomes part of the record: what
ran, on which CPUs, how far into the run, at what temperature and clock, and what ended it.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from harness.clock import Clock, iso_utc
from harness.errors import RecordError, RefusedStart, RigproofError
from harness.machine.boot import boot_id as own_boot_id
from harness.outcome import Ending
from harness.record.database import RECORD_NAME, log_in_use
from harness.record.flocks import holding
from harness.record.lastwords import LastWords, forget_last_words, last_words
from harness.record.listing import run_folders
from harness.record.lock import CLOSING_NAME, MachineLock
from harness.record.opening import OpenRecord, open_record
from harness.record.owner import Owner, restarted_since
from harness.record.progress import Latest, Progress, progress_of
from harness.record.reserve import RESERVE_BYTES
from harness.record.rows import EVENTS
from harness.record.store import Item, RecordStore, Stamp
from harness.record.sums import SUMS_NAME
from harness.record.tables import TableReader
from harness.record.writer import end_items, finish_folder, seal_store
from harness.results import Boot, Event, EventKind, Failure, FailureKind
from harness.units import duration, quantity, temperature


class LossCause(StrEnum):
    """What ended a run without its end event."""

    MACHINE_RESTARTED = "the machine restarted"
    HARNESS_KILLED = "the harness was killed"
    STORAGE_FULL = "the storage was full"
    STORAGE_FAILED = "the storage failed"
    TERMINAL_CLOSED = "the terminal was closed"
    INTERRUPTED = "it was interrupted and then ended by force"


@dataclass(frozen=True)
class LostRun:
    """A run found without its end event. `closed` says that its record now has one.

    `problem` says why it could not be closed.
    """

    run_id: str
    folder: Path
    cause: LossCause | None
    ending: Ending | None
    text: str
    closed: bool
    problem: str = ""


@dataclass(frozen=True)
class LastSeen:
    """The last that the record knows of the run's last part."""

    progress: Progress
    owner: Owner
    events: tuple[Event, ...]
    #: Why the run itself could not write its end, where it could say so elsewhere.
    words: LastWords | None = None

    @property
    def load(self) -> Event | None:
        """The load that ran last, None when none was started."""
        started = [event for event in self.events if event.kind is EventKind.LOAD_STARTED]
        return started[-1] if started else None

    @property
    def load_was_on(self) -> bool:
        """Whether that load had not ended."""
        edges = [event.kind for event in self.events if event.kind in _EDGES]
        return bool(edges) and edges[-1] is EventKind.LOAD_STARTED


_EDGES = (EventKind.LOAD_STARTED, EventKind.LOAD_ENDED)
_FAILURE_KINDS = {
    LossCause.MACHINE_RESTARTED: FailureKind.MACHINE_RESTARTED,
    LossCause.HARNESS_KILLED: FailureKind.PROCESS_DIED,
}


def close_lost_runs(
    runs_dir: Path, clock: Clock, boot_id: str, is_owner_alive: Callable[[Owner], bool]
) -> tuple[LostRun, ...]:
    """Close every run below `runs_dir` that has no end event and whose process is gone.

    A run that cannot be closed is returned with its problem; one run's damage stops no other.
    """
    found = []
    for folder in run_folders(runs_dir):
        try:
            lost = _close(folder, clock, boot_id, is_owner_alive)
        except RefusedStart:
            continue  # another rigproof closes it just now
        except (RigproofError, OSError) as error:
            text = "it has no end event"
            lost = LostRun(folder.name, folder, None, None, text, closed=False, problem=str(error))
        if lost is not None:
            found.append(lost)
    return tuple(found)


def _close(
    folder: Path, clock: Clock, boot_id: str, is_owner_alive: Callable[[Owner], bool]
) -> LostRun | None:
    path = folder / RECORD_NAME
    if not path.is_file() or _is_sealed(folder) or is_owner_alive(_last_seen(path).owner):
        return None
    me = Owner.of_this_process(boot_id, ())
    with (
        MachineLock.acquire(me, folder.name, clock, folder=folder, name=CLOSING_NAME),
        holding(folder) as is_left,
    ):
        seen = _last_seen(path)
        if not is_left or is_owner_alive(seen.owner):
            return None  # measured where process ids are others, or resumed meanwhile
        if seen.progress.end.ending is not None:
            _seal_only(folder, clock)
            forget_last_words(folder.name)
            return None
        lost = _write_end(folder, seen, find_cause(seen, boot_id, _free_bytes(folder)), clock)
        forget_last_words(folder.name)
        return lost


def _is_sealed(folder: Path) -> bool:
    """Cheap, because every command looks through all runs; a run just made has no log yet."""
    return not log_in_use(folder / RECORD_NAME) and (folder / SUMS_NAME).is_file()


def _last_seen(path: Path) -> LastSeen:
    with open_record(path) as record, record.database.snapshot():
        tables = TableReader(record.database)
        part = _last_part(record, tables)
        events = tables.built(EVENTS, tables.rows("events"))
        recent = tuple(event for event in events if event.at_seconds >= part["started_seconds"])
        words = last_words(path.parent.name)
        return LastSeen(progress_of(record), _owner_of(part), recent, words)


def _last_part(record: OpenRecord, tables: TableReader) -> dict[str, Any]:
    parts = tables.rows("parts")
    if not parts:
        raise RecordError("it does not say which process wrote it: it is damaged", path=record.path)
    return parts[-1]


def _owner_of(part: dict[str, Any]) -> Owner:
    argv = part["argv_json"] if isinstance(part["argv_json"], list) else []
    words = tuple(str(word) for word in argv)
    return Owner(part["owner_pid"], part["owner_mark"], part["boot_id"], words, part["terminal"])


def find_cause(seen: LastSeen, boot_id: str, free_bytes: int | None) -> LossCause:
    """What ended the run, from what it last recorded and from what is so now."""
    if seen.words is not None:  # it ended by itself, whatever came later
        return LossCause.STORAGE_FULL if seen.words.full else LossCause.STORAGE_FAILED
    if restarted_since(seen.owner, boot_id, own_boot_id()):
        return LossCause.MACHINE_RESTARTED
    full = any(event.data.get("storage") == "full" for event in seen.events)
    if full or (free_bytes is not None and free_bytes < RESERVE_BYTES):
        return LossCause.STORAGE_FULL
    signals = [
        event.data.get("signal") for event in seen.events if event.kind is EventKind.INTERRUPTED
    ]
    if "SIGHUP" in signals:
        return LossCause.TERMINAL_CLOSED
    return LossCause.INTERRUPTED if signals else LossCause.HARNESS_KILLED


def _ending_for(cause: LossCause, seen: LastSeen) -> Ending:
    """After the outcome table: an explained end is no failure of the machine under load."""
    if cause in (LossCause.TERMINAL_CLOSED, LossCause.INTERRUPTED):
        return Ending.INTERRUPTED
    if cause in (LossCause.STORAGE_FULL, LossCause.STORAGE_FAILED) or seen.load is None:
        return Ending.ERROR
    return Ending.CRASHED


def _write_end(folder: Path, seen: LastSeen, cause: LossCause, clock: Clock) -> LostRun:
    ending = _ending_for(cause, seen)
    text = explain(seen, cause)
    last = Stamp(seen.progress.at_seconds, seen.progress.wall_ns)
    crash = Event(EventKind.CRASHED, last.at_seconds, text, _crash_data(seen, cause))
    failed: list[Item] = [_failure(seen, cause, text)] if ending is Ending.CRASHED else []

    def rows(boot: Boot) -> list[Item]:
        return [crash, *failed, *end_items(boot, ending, text, last)]

    _write_and_seal(folder, rows, _now(seen, clock), clock)
    return LostRun(seen.progress.run_id, folder, cause, ending, text, closed=True)


def _write_and_seal(
    folder: Path, rows: Callable[[Boot], list[Item]], stamp: Stamp, clock: Clock
) -> None:
    store = RecordStore.open(folder / RECORD_NAME)
    try:
        store.commit(rows(store.last_boot()), (), stamp)
        seal_store(store, clock)
    finally:
        store.close()
    finish_folder(folder)


def _seal_only(folder: Path, clock: Clock) -> None:
    """Finish what a reader or a kill kept the run's own process from finishing."""
    store = RecordStore.open(folder / RECORD_NAME)
    try:
        seal_store(store, clock)
    finally:
        store.close()
    finish_folder(folder)


def _now(seen: LastSeen, clock: Clock) -> Stamp:
    return Stamp(seen.progress.at_seconds, clock.wall_ns())


def _failure(seen: LastSeen, cause: LossCause, text: str) -> Failure:
    data = seen.load.data if seen.load else {}
    cpus = _cpus(seen)
    workload = data.get("workload")
    return Failure(
        kind=_FAILURE_KINDS[cause],
        workload=None if workload is None else str(workload),
        lane=None,
        core=cpus[0] if len(cpus) == 1 else None,
        at_seconds=seen.progress.at_seconds,
        detail=text,
    )


def _crash_data(seen: LastSeen, cause: LossCause) -> dict[str, Any]:
    return {
        "cause": cause,
        "load": dict(seen.load.data) if seen.load else None,
        "load_was_on": seen.load_was_on,
        "cpu_temperature_celsius": _hottest_celsius(seen.progress.latest),
        "core_clock_hz": _mean_clock_hz(seen.progress.latest),
        "elapsed_seconds": seen.progress.at_seconds,
        "terminal": seen.owner.terminal,
    }


def explain(seen: LastSeen, cause: LossCause) -> str:
    """One sentence for people: cause, load, CPUs, elapsed time, temperature, clock, last write."""
    words = [f"{cause} {_load_words(seen)}, {duration(seen.progress.at_seconds)} into the run"]
    celsius = _hottest_celsius(seen.progress.latest)
    clock_hz = _mean_clock_hz(seen.progress.latest)
    seen_last = [] if celsius is None else [f"CPU at {temperature(celsius)}"]
    seen_last += [] if clock_hz is None else [f"cores at {quantity(clock_hz, 'Hz')}"]
    words.append("last seen: " + (" and ".join(seen_last) or "no temperature and no clock"))
    words.append(f"last write {iso_utc(seen.progress.wall_ns)}")
    words += [] if seen.words is None else [f"it said: {seen.words.text}"]
    return "; ".join(words)


def _load_words(seen: LastSeen) -> str:
    if seen.load is None:
        return "before any load was started"
    data = seen.load.data
    cpus = ", ".join(str(cpu) for cpu in _cpus(seen)) or "not known"
    what = f"'{data.get('name', '?')}' ({data.get('workload', '?')}) on CPUs {cpus}"
    pattern = f", pattern {data['pattern']}" if data.get("pattern") else ""
    return f"{'while' if seen.load_was_on else 'after'} {what}{pattern} ran"


def _cpus(seen: LastSeen) -> list[int]:
    cpus = seen.load.data.get("cpus") if seen.load else None
    return [cpu for cpu in cpus if isinstance(cpu, int)] if isinstance(cpus, list) else []


def _hottest_celsius(latest: Sequence[Latest]) -> float | None:
    return max(_values(latest, "cpu_temperature"), default=None)


def _mean_clock_hz(latest: Sequence[Latest]) -> float | None:
    values = _values(latest, "core_clock")
    return sum(values) / len(values) if values else None


def _values(latest: Sequence[Latest], role: str) -> list[float]:
    return [item.value for item in latest if item.channel.role == role and item.value is not None]


def _free_bytes(folder: Path) -> int | None:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None
