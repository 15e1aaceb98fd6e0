"""Looks at one comparison, counted: going on after a look is allowed, and paid for.

A look is one judgement of a comparison that may still get more trials. Judging the same data
twice is one look; judging it with more runs on either side, or with more trials or boots in a run
that was resumed, is the next. Which side is called before does not matter: A against B and B
against A test the same difference. The count lies beside the runs, since a sealed record is never
written to.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING

from harness.record.files import write_atomic

if TYPE_CHECKING:
    from harness.judgement.sides import Side

FILE_NAME = "looks.json"
_MOST_BYTES = 5_000_000


def count_look(runs_dir: Path, before: Side, after: Side) -> int:
    """The number of this look, from 1; remembers it where runs (not typed values) are compared."""
    if not before.run_ids or not after.run_ids:
        return 1
    path = runs_dir / FILE_NAME
    ledger = _read(path)
    seen = ledger.setdefault(_key(before, after), [])
    data = _data(before, after)
    if data not in seen:
        seen.append(data)
        write_atomic(path, json.dumps(ledger, indent=1).encode())
    return seen.index(data) + 1


def _key(before: Side, after: Side) -> str:
    """A comparison is known by the first run of each side: more runs go on with it."""
    return " ".join(sorted((min(before.run_ids), min(after.run_ids))))


def _data(before: Side, after: Side) -> str:
    """What was looked at: runs, and how many trials each boot gave each load, in any order."""
    text = " | ".join(sorted((_extent(before), _extent(after))))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _extent(side: Side) -> str:
    loads = {load.name: [len(boot) for boot in load.all_boots] for load in side.loads}
    return json.dumps({"runs": sorted(side.run_ids), "trials": loads}, sort_keys=True)


def _read(path: Path) -> dict[str, list[str]]:
    """The ledger; a damaged one starts anew, which counts looks too low and is therefore rare."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            return {}
        found = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(found, dict):
        return {}
    return {
        str(key): [str(item) for item in value]
        for key, value in found.items()
        if isinstance(value, list)
    }
