"""March tests over a region of memory: element sequences as data, address-in-data words.

A march test is a sequence of elements; an element visits every word in ascending or descending
order and applies its operations to a word before it goes on to the next: ``r0``/``r1`` read and
compare with data background 0 or 1, ``w0``/``w1`` write it. Source: van de Goor (1991), *Testing
Semiconductor Memories*; the same author (1993), "Using march tests to test SRAMs", IEEE Design &
Test 10(1):8-14, whose notation `parse` reads. The published coverage of each sequence is
reproduced in the tests by simulating single faults under the very sequences below.

Background 0 of a word is its address-in-data value (`workloads.words`), background 1 that value
inverted, so a word written to a wrong address shows.

**What is claimed**: the algorithm is verified on virtual memory; DRAM fault coverage is not. Caches
and store buffers stand between the program and the memory, the system decides which frames lie
behind the region, and neighbours in an array need not be neighbours on a chip.

One pass is the whole sequence over one window; the next pass takes the next window, so that a pass
stays short and the region is visited in turn. A pass first reads the background that the visit
before left in its window (one more read per word than the sequence has): this checks the last write
of a sequence that ends with one, and finds what changed while other windows were tested. A window
that failed is visited again, up to a limit, before the next one.

The result is the pass's log: words compared, their sum without the part that depends on the
window, words wrong and the first of them; so every window's digest is the same, in closed form.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from workloads.contract import Finding, Parameter, Parameters, Task, Value, Workload, whole
from workloads.digest import combine, fold
from workloads.mismatch import Watched, compare_logs
from workloads.words import (
    ALL_ONES,
    BLOCK,
    COMPARED,
    LOG_WORDS,
    STEP,
    SUM,
    WORD_BYTES,
    WRONG,
    aligned_words,
    check_words,
    fill_words,
    new_log,
    rewrite_down,
    rewrite_up,
    start_word,
    sum_of_words,
    whole_blocks,
)

if TYPE_CHECKING:
    from workloads.contract import Buffer, Difference
    from workloads.words import Words

_MIB = 1 << 20
_MODULUS = 1 << 64
#: A window that failed is visited this often again before the march goes on.
_REVISITS = 3
_ORDERS = ("any", "up", "down")
_ELEMENT = re.compile(r"(any|up|down)\(([^()]*)\)")
_OPERATIONS = ("r0", "r1", "w0", "w1")

#: Name -> sequence. Order "any" is performed ascending.
SEQUENCES: dict[str, str] = {
    "mats-plus": "{any(w0); up(r0,w1); down(r1,w0)}",
    "march-x": "{any(w0); up(r0,w1); down(r1,w0); any(r0)}",
    "march-c-minus": "{any(w0); up(r0,w1); up(r1,w0); down(r0,w1); down(r1,w0); any(r0)}",
}


@dataclass(frozen=True)
class Element:
    """One march element: `order` is any, up or down; operations such as ``r0`` or ``w1``."""

    order: str
    operations: tuple[str, ...]


def parse(sequence: str) -> tuple[Element, ...]:
    """The elements of a sequence such as ``{any(w0); up(r0,w1)}``. Raises ValueError."""
    body = sequence.strip().removeprefix("{").removesuffix("}")
    return tuple(_element(part.strip()) for part in body.split(";"))


def _element(text: str) -> Element:
    match = _ELEMENT.fullmatch(text)
    operations = tuple(word.strip() for word in match[2].split(",")) if match else ()
    if match is None or any(word not in _OPERATIONS for word in operations):
        rule = f"needs order(operations): {', '.join(_ORDERS)}; {', '.join(_OPERATIONS)}"
        raise ValueError(f"march element: received {text!r}, {rule}")
    return Element(match[1], operations)


def reads(elements: tuple[Element, ...]) -> int:
    """Read operations on each word."""
    return sum(word[0] == "r" for element in elements for word in element.operations)


def perform(element: Element, words: Words, start: int, row: Words) -> None:
    """Apply one element to every word of a window, in the element's order, on the compiled sweeps.

    `start` is the window's first word. What the reads saw is added to log row `row`. Elements are
    one write, one read in any order, or a read and a write; others raise ValueError.
    """
    kinds = "".join(word[0] for word in element.operations)
    masks = [np.uint64(ALL_ONES if word[1] == "1" else 0) for word in element.operations]
    first = np.uint64(start)
    if kinds == "w":
        fill_words(words, first, masks[0])
    elif kinds == "r" and element.order != "down":
        check_words(words, first, masks[0], row)
    elif kinds == "rw":
        sweep = rewrite_down if element.order == "down" else rewrite_up
        sweep(words, first, masks[0], masks[1], row)
    else:
        raise ValueError(f"march element: received {element}, no sweep performs it; use r, w or rw")


class MarchTask(Task):
    """A region in equal windows, one of which a pass tests."""

    def __init__(self, region: Words, windows: int, elements: tuple[Element, ...], seed: int):
        super().__init__()
        self.region, self.windows, self.elements = region, windows, elements
        self.start = start_word(seed)
        self.log = new_log(1)
        self.window_words = region.size // windows
        self.work_per_pass = float(self.window_words * WORD_BYTES)
        self.window = 0
        self._next, self._revisits = 0, 0
        self._visits = np.zeros(windows, np.int64)
        self._installed_bytes = _installed_bytes()
        self.begin()
        fill_words(region, np.uint64(self.start), np.uint64(0))

    def begin(self) -> None:
        """See :class:`Task`: nothing of this stretch has been tested yet."""
        self._visits[:] = 0
        self._tell_extent()

    def _tell_extent(self) -> None:
        """What this lane has tested; all lanes that run side by side test about as much each."""
        tested = float(np.count_nonzero(self._visits) * self.window_words * WORD_BYTES)
        share = 100.0 * tested / self._installed_bytes
        self.readings = {
            "region_per_lane_bytes": float(self.region.nbytes),
            "tested_per_lane_bytes": tested,
            "tested_share_of_installed_per_lane_percent": round(share, 2),
            "whole_rounds": float(self._visits.min()),
        }

    def execute(self) -> None:
        """See :class:`Task`; sets `readings`, what of the region this stretch has tested."""
        self.window = self._next
        self.log[:] = 0
        row, words = self.log[0], self._words()
        first = self.window * self.window_words
        start = (self.start + first * STEP) % _MODULUS
        perform(_BACKGROUND, words, start, row)
        for element in self.elements:
            perform(element, words, start, row)
        # What the window's place adds to each word read.
        place = int(row[COMPARED]) * first * STEP
        row[SUM] = (int(row[SUM]) - place) % _MODULUS
        self._choose_next(bool(row[WRONG]))
        self._visits[self.window] += 1
        self._tell_extent()

    def _words(self) -> Words:
        first = self.window * self.window_words
        return self.region[first : first + self.window_words]

    def _choose_next(self, failed: bool) -> None:
        if failed and self._revisits < _REVISITS:
            self._revisits += 1
            return
        self._revisits = 0
        self._next = (self.window + 1) % self.windows

    def watched(self) -> Watched:
        """The window of the last pass with its row of the log."""
        base = self.window * self.window_words
        return Watched("region", self._words(), self.log[0], base)

    def digest(self) -> int:
        """See :class:`Task`: the log, which every word compared has gone into."""
        return fold(self.log)

    def inputs_digest(self) -> int:
        """See :class:`Task`: the background, and what the reads saw of it."""
        return combine(fold(self.log[0, WRONG:]), fold(self.region))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`. The region is verified when its window's turn comes."""
        return {"intermediate_region": self.region, "result_log": self.log}

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`: what the last pass saw."""
        return (self.watched().finding(),)

    def compare(self, reference: dict[str, Buffer]) -> Difference | None:
        """See :class:`Task`: the first wrong word of memory, else of the log."""
        log = np.asarray(reference["result_log"], np.uint64)
        return compare_logs((self.watched(),), log) or super().compare(reference)


_BACKGROUND = Element("any", ("r0",))


def _installed_bytes() -> int:
    import psutil

    return int(psutil.virtual_memory().total)


def share_of_free_bytes(percent: Value, lanes: int) -> int:
    """One lane's part of `percent` of the memory that is free now, divided among `lanes`."""
    import psutil

    if not isinstance(percent, int | float):
        raise ValueError(f"share_percent_of_free: received {percent!r}, needs a number of %")
    return int(psutil.virtual_memory().available * percent / 100.0 / lanes)


def _allowed_cpus() -> int:
    """Logical CPUs that this process may use (``taskset``), not all that the machine has."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class MemoryMarch(Workload):
    """A march sequence over a region, a window a pass: ``{any(w0); up(r0,w1); ...}``."""

    name = "memory-march"
    version = 1
    family = "memory"
    unit = "byte"  # of memory taken through the whole sequence
    purpose = "memory cells, their addresses and what is between them and the core"
    check = (
        "every word read is compared bit by bit; the algorithm is verified on virtual memory, "
        "not DRAM fault coverage"
    )
    shipped_golden = True
    always_shipped = True
    slowest_per_second = 1e8
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "sequence": Parameter("march-c-minus", "march test", choices=tuple(SEQUENCES)),
        "mebibytes": Parameter(
            512, "region of one lane, unless a share is given", "MiB", 1, 1 << 24
        ),
        "share_percent_of_free": Parameter(
            0.0, "region of all lanes together as a share of free memory; 0: not used", "%", 0, 95
        ),
        "lanes_sharing": Parameter(
            0, "lanes that divide the share; 0: all lanes of the run", "", 0, 4096
        ),
        "window_mebibytes": Parameter(
            128, "memory tested in one pass; several times a core's cache", "MiB", 1, 1 << 16
        ),
    }
    small: ClassVar[Mapping[str, Value]] = {"mebibytes": 2, "window_mebibytes": 1}

    def for_lanes(self, parameters: Parameters, lanes: int) -> Parameters:
        """See :class:`Workload`: a lane is pinned and cannot see how many there are."""
        if whole(parameters, "lanes_sharing"):
            return parameters
        return {**parameters, "lanes_sharing": lanes}

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`."""
        windows, words = self.layout(parameters)
        return windows * words * WORD_BYTES

    def layout(self, parameters: Parameters) -> tuple[int, int]:
        """Number of windows, and words of each (whole blocks)."""
        window = whole(parameters, "window_mebibytes") * _MIB
        percent = parameters["share_percent_of_free"]
        if not percent:
            region = whole(parameters, "mebibytes") * _MIB
            window = min(window, region)
        else:
            lanes = whole(parameters, "lanes_sharing") or _allowed_cpus()
            # One window at least, so that windows are alike whatever is free when a lane looks.
            region = max(share_of_free_bytes(percent, lanes), window)
        return region // window, whole_blocks(window)

    def prepare(self, parameters: Parameters, seed: int) -> MarchTask:
        """See :class:`Workload`."""
        windows, words = self.layout(parameters)
        elements = parse(SEQUENCES[str(parameters["sequence"])])
        return MarchTask(aligned_words(windows * words), windows, elements, seed)

    def golden(self, parameters: Parameters, seed: int) -> int:
        """See :class:`Workload`: closed form, the same for every window."""
        _, words = self.layout(parameters)
        times = 1 + reads(parse(SEQUENCES[str(parameters["sequence"])]))
        total = times * sum_of_words(start_word(seed), STEP, words) % _MODULUS
        row = [times * words, total, *[0] * (LOG_WORDS - 2)]
        return fold(np.array([row], np.uint64))

    def warm(self) -> None:
        """See :class:`Workload`."""
        task = MarchTask(aligned_words(BLOCK), 1, parse(SEQUENCES["march-c-minus"]), 1)
        task.execute()
        task.digest()
