"""Looks at one comparison, counted: going on after a look is allowed, and paid for.

A look is one judgement of a comparison that may still get more trials. Judging the same data
twice is one look; judging it with more runs on either side, or with more trials or boots in a run
that was resumed, is the next. A comparison goes on where each side shares a run with what was
looked at before, or, for typed values, begins with the values that were. Which side is called
before does not matter: A against B and B against A test the same difference. How many looks there
will be is decided before the first. The count lies beside the runs, since a sealed record is never
written to.

What is not counted: one baseline against a fresh side, time after time (A against B0, then A
against B1, ...), is the first look of another comparison each time. Each has the error that it
states, and of many tries one will call a difference by chance: whoever tries until it does must
plan for all of them.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.clock import SYSTEM
from harness.errors import StorageError, UsageError
from harness.record.files import write_atomic
from harness.record.flocks import take_flock

if TYPE_CHECKING:
    from harness.judgement.sides import Side, SideLoad

FILE_NAME = "looks.json"
LOCK_NAME = "looks.lock"
FORMAT_VERSION = 1
#: A ledger is kept below this by forgetting the comparisons that were not looked at for longest.
_MOST_BYTES = 5_000_000
#: Beyond this it was not written here, and is not read into memory.
_MOST_BYTES_READ = 50_000_000

#: A look is counted in milliseconds; who holds the lock for longer stands still.
_LOCK_TRIES, _LOCK_PAUSE_SECONDS = 400, 0.05

#: load name -> per boot its number of trials and, of typed values, their digest.
Extent = Mapping[str, Sequence[tuple[int, str]]]


@dataclass(frozen=True)
class Looks:
    """Which look this is, from 1, and of how many; `planned` is None where that was left open.

    `information`: how much each look so far had, as a multiple of the first look's, where that can
    be told; never less than true, so that what looks share is not overrated. `forgotten` says why
    the look could not be written down, "" when it was; `lost` what happened to earlier counts.
    """

    number: int
    planned: int | None = None
    information: tuple[float, ...] | None = None
    forgotten: str = ""
    lost: str = ""


@dataclass(frozen=True)
class _Seen:
    """What one side held at a look."""

    runs: tuple[str, ...]
    extent: Extent

    @classmethod
    def of(cls, side: Side) -> _Seen:
        """What `side` holds now."""
        typed = not side.run_ids
        extent = {
            load.name: [_counted(boot, typed) for boot in load.all_boots] for load in side.loads
        }
        return cls(tuple(sorted(side.run_ids)), extent)

    def text(self) -> str:
        """The same for the same data."""
        return json.dumps([self.runs, self.extent], sort_keys=True)

    def holds(self, earlier: _Seen) -> bool:
        """Whether all of `earlier` is in here: every run, no fewer trials or boots of a load."""
        return set(earlier.runs) <= set(self.runs) and all(
            len(self.extent.get(name, ())) >= len(boots)
            and _trials(self.extent.get(name, ())) >= _trials(boots)
            for name, boots in earlier.extent.items()
        )

    def goes_on_in(self, side: Side) -> bool:
        """Whether `side` holds this data, or more of it."""
        if self.runs or side.run_ids:
            return bool(set(self.runs) & set(side.run_ids))
        loads = {load.name: load for load in side.loads}
        return bool(self.extent) and all(
            name in loads and _begins_with(loads[name], boots)
            for name, boots in self.extent.items()
        )


@dataclass
class _Comparison:
    """One comparison in the ledger: both sides at the last look, and all looks so far."""

    sides: tuple[_Seen, _Seen]
    planned: int | None
    looks: list[str] = field(default_factory=list)
    information: list[float | None] = field(default_factory=list)


def count_look(
    runs_dir: Path, before: Side, after: Side, planned_looks: int | None = None
) -> Looks:
    """Count this look and remember it in `runs_dir`.

    `planned_looks` holds from the first look on; None later means the plan of the first. Raises
    UsageError where the plan is changed after a look, or used up, and where a count is there that
    this program cannot read: it is never replaced by an empty one.
    """
    with _alone(runs_dir):
        ledger, lost = _read(runs_dir / FILE_NAME)
        looks = _count(runs_dir / FILE_NAME, ledger, (before, after), planned_looks)
    return replace(looks, lost="; ".join(filter(None, (lost, looks.lost))))


def _count(
    path: Path, ledger: list[_Comparison], sides: tuple[Side, Side], planned_looks: int | None
) -> Looks:
    found = _find(ledger, *sides)
    if found is None:
        found = _Comparison((_Seen.of(sides[0]), _Seen.of(sides[1])), planned_looks)
        ledger.append(found)
    _refuse_other_plan(found, planned_looks)
    number, new = _enter(found, *sides)
    if found.planned is not None and number > found.planned:
        raise UsageError(
            f"--planned-looks was {found.planned} and this is look {number}: the error is spent, "
            "begin a new comparison with new runs"
        )
    looks = Looks(number, found.planned, _told(found.information[:number]))
    if not new:
        return looks
    # The last in the ledger is the one looked at last.
    ledger.append(ledger.pop(ledger.index(found)))
    kept = _newest(ledger)
    return replace(looks, forgotten=_write(path, kept), lost=_dropped(len(ledger) - len(kept)))


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Nobody else reads or writes the ledger meanwhile, where the system has such locks."""
    descriptor = _locked(folder)
    try:
        yield
    finally:
        if descriptor is not None:
            os.close(descriptor)


def _locked(folder: Path) -> int | None:
    """The descriptor that holds the lock; None without such locks, or in a folder that is only
    read, where no ledger is written either. Raises UsageError when it stays held."""
    wary = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT | wary, 0o644)
    except OSError:
        return None
    for _ in range(_LOCK_TRIES):
        try:
            if take_flock(descriptor):
                return descriptor
        except OSError:  # a system, or a file system, without locks
            return descriptor
        SYSTEM.sleep(_LOCK_PAUSE_SECONDS)
    os.close(descriptor)
    raise UsageError(
        f"{folder / LOCK_NAME}: held by another comparison for "
        f"{_LOCK_TRIES * _LOCK_PAUSE_SECONDS:g} s: end it, or let it go on, and compare again"
    )


def _find(ledger: Sequence[_Comparison], before: Side, after: Side) -> _Comparison | None:
    """The comparison that these sides go on with: of several, the one looked at most often."""
    going_on = [item for item in ledger if _ordered(item, before, after) is not None]
    return max(going_on, key=lambda item: len(item.looks), default=None)


def _ordered(item: _Comparison, before: Side, after: Side) -> tuple[Side, Side] | None:
    """The sides in the order of the ledger, or None where it is another comparison."""
    for order in ((before, after), (after, before)):
        if all(seen.goes_on_in(side) for seen, side in zip(item.sides, order, strict=True)):
            return order
    return None


def _refuse_other_plan(found: _Comparison, planned_looks: int | None) -> None:
    if planned_looks is None or planned_looks == found.planned:
        return
    begun = "left open" if found.planned is None else f"planned as {found.planned}"
    raise UsageError(
        f"--planned-looks received {planned_looks}, but this comparison was already looked at with "
        f"its looks {begun}: leave the option out, or begin a new comparison with new runs"
    )


def _enter(found: _Comparison, before: Side, after: Side) -> tuple[int, bool]:
    """The number of this look, and whether it is a new one, which is then entered."""
    order = _ordered(found, before, after) or (before, after)
    now = (_Seen.of(order[0]), _Seen.of(order[1]))
    data = hashlib.sha256(" | ".join(sorted(seen.text() for seen in now)).encode()).hexdigest()[:16]
    if data in found.looks:
        return found.looks.index(data) + 1, False
    first = not found.looks
    growth = None if first else _growth(found.sides, now)
    last = found.information[-1] if found.information else None
    found.looks.append(data)
    found.information.append(1.0 if first else last and growth and last * growth)
    found.sides = now
    return len(found.looks), True


def _growth(before: tuple[_Seen, _Seen], now: tuple[_Seen, _Seen]) -> float | None:
    """At most how many times as much is known now; None where that cannot be told.

    The variance of a ratio falls with trials or with boots, whichever grew less: the larger growth
    of any load is an upper bound. It tells what two looks share only where the later holds all of
    the earlier.
    """
    if not all(later.holds(earlier) for earlier, later in zip(before, now, strict=True)):
        return None
    growths = []
    for name in {*now[0].extent, *now[1].extent}:
        boots = [[seen.extent.get(name, ()) for seen in pair] for pair in (before, now)]
        if not all(side for pair in boots for side in pair):
            return None
        trials = [_together([_trials(side) for side in pair]) for pair in boots]
        counts = [_together([len(side) for side in pair]) for pair in boots]
        growths += [trials[1] / trials[0], counts[1] / counts[0]]
    largest = max(growths, default=0.0)
    return largest if largest > 1.0 else None


def _trials(boots: Sequence[tuple[int, str]]) -> int:
    return sum(count for count, _ in boots)


def _together(counts: Sequence[int]) -> float:
    """What two sides of so many values are worth together, 1 / (1/a + 1/b); never nothing."""
    return 1.0 / sum(1.0 / max(1, count) for count in counts)


def _told(information: Sequence[float | None]) -> tuple[float, ...] | None:
    known = [amount for amount in information if amount is not None]
    return tuple(known) if len(known) == len(information) else None


def _counted(values: Sequence[float], typed: bool) -> tuple[int, str]:
    digest = hashlib.sha256(repr(tuple(values)).encode()).hexdigest()[:16] if typed else ""
    return len(values), digest


def _begins_with(load: SideLoad, boots: Sequence[tuple[int, str]]) -> bool:
    """Whether every boot of `load` begins with the values that were seen of it."""
    return len(load.all_boots) >= len(boots) and all(
        _counted(own[:count], typed=True) == (count, digest)
        for own, (count, digest) in zip(load.all_boots, boots, strict=False)
    )


def _write(path: Path, ledger: Sequence[_Comparison]) -> str:
    """Write the ledger; why it could not be, "" when it was. Old runs may lie in a folder that is
    only read."""
    document = {"format_version": FORMAT_VERSION, "comparisons": [_as_json(it) for it in ledger]}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(path, json.dumps(document, indent=1).encode())
    except (OSError, StorageError) as error:
        return str(error)
    return ""


def _as_json(item: _Comparison) -> dict[str, Any]:
    sides = [{"runs": seen.runs, "trials": seen.extent} for seen in item.sides]
    looks = [
        {"data": data, "information": amount}
        for data, amount in zip(item.looks, item.information, strict=True)
    ]
    return {"sides": sides, "planned_looks": item.planned, "looks": looks}


def _newest(ledger: Sequence[_Comparison]) -> list[_Comparison]:
    """As many of the comparisons looked at last as the file may hold, one at least."""
    kept: list[_Comparison] = []
    size = 60  # what the document holds beside them
    for item in reversed(ledger):
        text = json.dumps(_as_json(item), indent=1)
        size += len(text) + 2 * text.count("\n") + 5  # the list's own indent, its comma
        if kept and size > _MOST_BYTES:
            break
        kept.append(item)
    return kept[::-1]


def _dropped(count: int) -> str:
    """What is told of `count` comparisons that found no room."""
    if not count:
        return ""
    return (
        f"{FILE_NAME} is full: the looks of the {count} comparison(s) not looked at for longest "
        "are no longer counted"
    )


def _read(path: Path) -> tuple[list[_Comparison], str]:
    """The ledger, and what happened to it where it was damaged: it then lies aside.

    Raises UsageError where it cannot be read, or was written by another version: to begin anew
    would count looks too low.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES_READ + 1)
    except (FileNotFoundError, NotADirectoryError):
        return [], ""
    except OSError as error:
        raise UsageError(
            f"{path}: the count of looks cannot be read ({error.strerror or error}): make it "
            "readable, or move it away to begin counting anew"
        ) from error
    try:
        return _parsed(path, raw), ""
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        return [], _put_aside(path, error)


def _parsed(path: Path, raw: bytes) -> list[_Comparison]:
    if len(raw) > _MOST_BYTES_READ:
        raise ValueError(f"larger than {_MOST_BYTES_READ // 10**6} MB")
    document = json.loads(raw.decode("utf-8"))
    version = document["format_version"]
    if isinstance(version, int) and version != FORMAT_VERSION:
        raise UsageError(
            f"{path}: the count of looks has format version {version} and this program writes "
            f"{FORMAT_VERSION}: compare with the program that wrote it, or move the file away"
        )
    return [_from_json(item) for item in document["comparisons"]]


def _put_aside(path: Path, damage: Exception) -> str:
    """Keep a damaged ledger under another name, and say so. Raises UsageError when it stays."""
    stem, number = path.stem, 1
    while (aside := path.with_name(f"{stem}.damaged-{number}{path.suffix}")).exists():
        number += 1
    try:
        path.rename(aside)
    except OSError as error:
        raise UsageError(
            f"{path}: the count of looks is damaged and cannot be moved away "
            f"({error.strerror or error}): move it away to begin counting anew"
        ) from error
    return (
        f"the count of earlier looks was damaged ({type(damage).__name__}) and lies in "
        f"{aside.name} now: looks taken before are not counted"
    )


def _from_json(item: Mapping[str, Any]) -> _Comparison:
    first, second = (
        _Seen(
            tuple(str(run) for run in side["runs"]),
            {
                str(name): [(int(count), str(digest)) for count, digest in boots]
                for name, boots in side["trials"].items()
            },
        )
        for side in item["sides"]
    )
    planned = item["planned_looks"]
    amounts = [look["information"] for look in item["looks"]]
    if not all(amount is None or 0.0 < amount < math.inf for amount in amounts):
        raise ValueError("information must be above 0")
    return _Comparison(
        (first, second),
        None if planned is None else int(planned),
        [str(look["data"]) for look in item["looks"]],
        [None if amount is None else float(amount) for amount in amounts],
    )
