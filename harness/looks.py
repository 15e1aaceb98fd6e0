"""Looks at one comparison, counted: going on after a look is allowed, and paid for.

A look is one judgement of a comparison that may still get more trials. Judging the same data
twice is one look; judging it with more runs on either side, or with more trials or boots in a run
that was resumed, is the next. A comparison goes on where each side shares a run with what was
looked at before, or, for typed values, begins with the values that were. Which side is called
before does not matter: A against B and B against A test the same difference. How many looks there
will be is decided before the first. The count lies beside the runs, since a sealed record is never
written to.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.errors import StorageError, UsageError
from harness.record.files import write_atomic

if TYPE_CHECKING:
    from harness.judgement.sides import Side, SideLoad

FILE_NAME = "looks.json"
FORMAT_VERSION = 1
_MOST_BYTES = 5_000_000

#: load name -> per boot its number of trials and, of typed values, their digest.
Extent = Mapping[str, Sequence[tuple[int, str]]]


@dataclass(frozen=True)
class Looks:
    """Which look this is, from 1, and of how many; `planned` is None where that was left open.

    `information`: how much each look so far had, as a multiple of the first look's, where that can
    be told; never less than true, so that what looks share is not overrated. `forgotten` says why
    the look could not be written down, "" when it was.
    """

    number: int
    planned: int | None = None
    information: tuple[float, ...] | None = None
    forgotten: str = ""


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
    UsageError where the plan is changed after a look, or used up.
    """
    path = runs_dir / FILE_NAME
    ledger = _read(path)
    found = _find(ledger, before, after)
    if found is None:
        seen = (_Seen.of(before), _Seen.of(after))
        found = _Comparison(seen, planned_looks)
        ledger.append(found)
    _refuse_other_plan(found, planned_looks)
    number, new = _enter(found, before, after)
    if found.planned is not None and number > found.planned:
        raise UsageError(
            f"--planned-looks was {found.planned} and this is look {number}: the error is spent, "
            "begin a new comparison with new runs"
        )
    forgotten = _write(path, ledger) if new else ""
    return Looks(number, found.planned, _told(found.information[:number]), forgotten)


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
    of any load is an upper bound.
    """
    growths = []
    for name in {*now[0].extent, *now[1].extent}:
        boots = [[seen.extent.get(name, ()) for seen in pair] for pair in (before, now)]
        if not all(side for pair in boots for side in pair):
            return None
        trials = [_together([sum(n for n, _ in side) for side in pair]) for pair in boots]
        counts = [_together([len(side) for side in pair]) for pair in boots]
        growths += [trials[1] / trials[0], counts[1] / counts[0]]
    largest = max(growths, default=0.0)
    return largest if largest > 1.0 else None


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


def _read(path: Path) -> list[_Comparison]:
    """The ledger; a damaged one starts anew, which counts looks too low and is therefore rare."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            return []
        return [_from_json(item) for item in json.loads(path.read_text("utf-8"))["comparisons"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return []


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
    return _Comparison(
        (first, second),
        None if planned is None else int(planned),
        [str(look["data"]) for look in item["looks"]],
        [None if amount is None else float(amount) for amount in amounts],
    )
