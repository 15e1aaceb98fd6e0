"""What a lane finds out about a wrong result, at once and on its own core.

Inputs changed: the memory or a cache lost a bit, the computation may be innocent. Inputs intact
and the same pass wrong again: this core computes wrongly. Intact and not repeated: transient.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workloads.contract import Difference, Task

if TYPE_CHECKING:
    from workloads.contract import Buffer

MEMORY = "memory or cache"
CORE = "this core computes wrongly"
TRANSIENT = "transient"
UNKNOWN = "one end of a pair, not run again"
#: How often the pass is run again before a wrong result is called not repeated.
RERUNS = 2


@dataclass(frozen=True)
class Diagnosis:
    """What kind of fault it looks like, and the evidence in one line."""

    kind: str
    detail: str


def diagnose(
    task: Task, golden: int, found: int, inputs_digest: int, *, alone: bool = True
) -> Diagnosis:
    """Tell the kinds apart; leaves the task's results recomputed.

    A task of a pair is not run again (`alone` False): it would get out of step with its peer.
    """
    wrong = _copy_results(task)
    doubts = [item.detail for item in task.invariants() if not item.ok]
    inputs_changed = task.inputs_digest() != inputs_digest
    repeats, difference = _run_again(task, golden, wrong) if alone else (0, None)
    kind = MEMORY if inputs_changed else CORE if repeats else TRANSIENT if alone else UNKNOWN
    parts = [
        f"{kind}: digest 0x{found:016x}, expected 0x{golden:016x}",
        f"inputs {'changed' if inputs_changed else 'intact'}",
    ]
    if alone:
        parts.append(f"wrong again in {repeats} of {RERUNS} reruns on the same core")
    if difference is not None:
        parts.append(difference.describe())
    parts.extend(doubts[:2])
    return Diagnosis(kind, "; ".join(parts))


def _run_again(task: Task, golden: int, wrong: dict[str, Buffer]) -> tuple[int, Difference | None]:
    repeats = 0
    difference: Difference | None = None
    for _ in range(RERUNS):
        task.execute()
        if task.digest() != golden:
            repeats += 1
        elif difference is None:
            difference = _swap_sides(task, wrong)
    return repeats, difference


def _swap_sides(task: Task, wrong: dict[str, Buffer]) -> Difference | None:
    """The task holds the right result now: compare, then name the sides the other way round."""
    found = task.compare(wrong)
    if found is None:
        return None
    return Difference(
        found.buffer, found.index, found.found_bits, found.expected_bits, found.elements
    )


def _copy_results(task: Task) -> dict[str, Buffer]:
    return {
        name: np.array(array, copy=True)
        for name, array in task.buffers().items()
        if name.startswith("result")
    }
