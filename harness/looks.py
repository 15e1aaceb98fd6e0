"""Looks at one comparison, counted: going on after a look is allowed, and paid for.

A look is one judgement of a comparison that may still get more trials. Judging the same data
twice is one look; judging it with more runs on either side is the next. The count lies beside the
runs, since a sealed record is never written to.
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
    key = _key(before.run_ids, after.run_ids)
    seen = ledger.setdefault(key, [])
    data = _data(before.run_ids, after.run_ids)
    if data not in seen:
        seen.append(data)
        write_atomic(path, json.dumps(ledger, indent=1).encode())
    return seen.index(data) + 1


def _key(before: tuple[str, ...], after: tuple[str, ...]) -> str:
    """A comparison is known by the first run of each side: more runs go on with it."""
    return f"{min(before)} {min(after)}"


def _data(before: tuple[str, ...], after: tuple[str, ...]) -> str:
    text = "|".join([",".join(sorted(before)), ",".join(sorted(after))])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


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
