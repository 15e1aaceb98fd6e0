"""Dependent-load latency against working-set size: a walk where each load gives the next address.

A working set of 2^b cache lines (64 bytes each) is linked into one cycle that visits every line:
line ``place(t)`` points to line ``place(t + 1)``, where `place` scatters the b-bit integers
one-to-one (an odd multiplication modulo 2^b and ``x xor (x >> s)`` are both bijections; they are
the steps of SplitMix64's finaliser, Steele, Lea and Flood 2014). Latency of a size is the time of
a walk divided by its loads (pointer chasing: common practice, no source). The formula knows the
cycle without any memory, so it says what a walk must have read.

A pass treats each size in turn, smallest first:

1. a full lap of loads that do not wait for each other, in the order of the cycle and ending just
   before the walk's start: the caches then hold what they would hold in an endless walk;
2. a timed walk of `loads` dependent loads. The next pass walks on from where this one stopped, so
   that a large set is not measured on lines which a short walk left in a cache.

The readings are the latencies. The score of a trial, seconds per walk, is that of whole passes,
laps included: it compares a machine before and after a change, and is no latency of any size.

Check: the lap's sum of all words must be an arithmetic series' (each line holds one pointer and
seven zeros), the walk's sum and its last pointer must be those of the formula. Sum and end are
stored as differences from it, so every pass has one digest. A pointer out of range ends the walk
rather than the process.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numba import njit, uint64

from workloads.clock import perf_ns
from workloads.contract import Finding, Parameter, Parameters, Task, Value, Workload, whole
from workloads.digest import combine, fold
from workloads.mismatch import Watched
from workloads.words import COMPARED, aligned_words, new_log, note, start_word

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Words = NDArray[np.uint64]

LINE_BYTES = 64
_LINE_WORDS = 8
_KIB = 1 << 10
#: Ten times what a load from memory takes behind 4 KiB pages (measured), for hang detection.
_SLOWEST_LOAD_SECONDS = 2e-6
_MIB = 1 << 20
#: A reading is the median of this many last passes.
_PASSES_KEPT = 32
_RESULTS = 4


@njit(cache=True, nogil=True, inline="always")
def place(step, bits, seed):  # type: ignore[no-untyped-def]
    """Line visited as number `step` (modulo 2^bits) of the cycle; all arguments uint64."""
    mask = (uint64(1) << bits) - uint64(1)
    half = (bits + uint64(1)) // uint64(2)
    line = ((step ^ seed) * uint64(0xBF58476D1CE4E5B9)) & mask
    line = ((line ^ (line >> half)) * uint64(0x94D049BB133111EB)) & mask
    return line ^ (line >> half)


@njit(cache=True, nogil=True)
def _link(words, bits, seed):  # type: ignore[no-untyped-def]
    """Write the cycle: the first word of each line is the index of the next line's first word."""
    words[:] = uint64(0)
    for step in range(uint64(1) << bits):
        line, following = place(step, bits, seed), place(step + uint64(1), bits, seed)
        words[line * uint64(_LINE_WORDS)] = following * uint64(_LINE_WORDS)


@njit(cache=True, nogil=True)
def _lap(words, bits, seed, first):  # type: ignore[no-untyped-def]
    """Load every line once, from step `first` on, without waiting; returns the sum of its words."""
    total = uint64(0)
    for step in range(uint64(1) << bits):
        begin = place(first + step, bits, seed) * uint64(_LINE_WORDS)
        for word in range(uint64(_LINE_WORDS)):
            total += words[begin + word]
    return total


@njit(cache=True, nogil=True)
def _walk(words, index, loads):  # type: ignore[no-untyped-def]
    """Follow `loads` pointers from word `index`: loads done, sum of the pointers, the last one."""
    total, limit, done = uint64(0), uint64(words.size), 0
    while done < loads:
        index = words[index]
        done += 1
        total += index
        # Off the chain of loads, hence free: the branch is predicted and never taken.
        if index >= limit:
            break
    return done, total, index


@njit(cache=True, nogil=True)
def _expected_sum(bits, seed, first, loads):  # type: ignore[no-untyped-def]
    """Sum of the `loads` pointers that a walk from step `first` must read."""
    total = uint64(0)
    for step in range(uint64(loads)):
        total += place(first + step + uint64(1), bits, seed) * uint64(_LINE_WORDS)
    return total


@njit(cache=True, nogil=True)
def _audit(words, bits, seed, row):  # type: ignore[no-untyped-def]
    """Compare every word of every line with the cycle, line by line in its order."""
    expected = np.zeros(_LINE_WORDS, np.uint64)
    for step in range(uint64(1) << bits):
        begin = place(step, bits, seed) * uint64(_LINE_WORDS)
        expected[0] = place(step + uint64(1), bits, seed) * uint64(_LINE_WORDS)
        note(row, words[begin : begin + uint64(_LINE_WORDS)], expected, begin)
    row[COMPARED] += uint64(words.size)


@dataclass
class WorkingSet:
    """One size: its lines, where the next walk starts, and the times of the last walks."""

    bits: int
    seed: int
    words: Words
    result: Words
    step: int = 0
    times_ns: deque[float] = field(default_factory=lambda: deque(maxlen=_PASSES_KEPT))

    @property
    def kibibytes(self) -> int:
        """Its size."""
        return self.words.nbytes // _KIB

    def measure(self, loads: int) -> None:
        """Bring the caches into the walk's own state, then walk and time it."""
        bits, seed, step = np.uint64(self.bits), np.uint64(self.seed), np.uint64(self.step)
        lap = _lap(self.words, bits, seed, step)
        start = np.uint64(int(place(step, bits, seed)) * _LINE_WORDS)
        before = perf_ns()
        done, total, last = _walk(self.words, start, loads)
        self.times_ns.append((perf_ns() - before) / loads)
        right_sum = int(_expected_sum(bits, seed, step, loads))
        right_last = int(place(np.uint64(self.step + loads), bits, seed)) * _LINE_WORDS
        self.result[:] = (lap, done, (int(total) - right_sum) % (1 << 64), int(last) ^ right_last)
        self.step = (self.step + loads) % (1 << self.bits)

    def finding(self) -> Finding:
        """Compare every line with the formula."""
        row = new_log(1)[0]
        _audit(self.words, np.uint64(self.bits), np.uint64(self.seed), row)
        return Watched(f"the {self.kibibytes} KiB set", self.words, row).finding()


class LatencyTask(Task):
    """Working sets from the smallest to the largest, each measured once a pass."""

    def __init__(self, sizes: list[int], loads: int, seed: int) -> None:
        super().__init__()
        self.loads = loads
        self.results = np.zeros((len(sizes), _RESULTS), np.uint64)
        self.work_per_pass = float(len(sizes))
        self.sets = [
            _working_set(size, start_word(seed, number), self.results[number])
            for number, size in enumerate(sizes)
        ]

    def execute(self) -> None:
        """See :class:`Task`; sets `readings`, the nanoseconds of one load by size."""
        for each in self.sets:
            each.measure(self.loads)
            self.readings[f"latency_{each.kibibytes}_kib_ns"] = median(each.times_ns)

    def digest(self) -> int:
        """See :class:`Task`."""
        return fold(self.results)

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        return combine(*(fold(each.words) for each in self.sets))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`."""
        inputs = {f"input_{each.kibibytes}_kib": each.words for each in self.sets}
        return {**inputs, "result_walks": self.results}

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`: every line of every working set against the formula."""
        return tuple(each.finding() for each in self.sets)


def _working_set(size_bytes: int, seed: int, result: Words) -> WorkingSet:
    bits = (size_bytes // LINE_BYTES).bit_length() - 1
    words = aligned_words(_LINE_WORDS << bits)
    _link(words, np.uint64(bits), np.uint64(seed))
    return WorkingSet(bits, seed, words, result)


class MemoryLatency(Workload):
    """Walk one cycle through 2^b lines for each size: ``latency = time of the walk / loads``."""

    name = "memory-latency"
    version = 1
    family = "memory"
    unit = "walk"  # not "load": a walk's time has its lap in it, so per load it is no latency
    purpose = "loads that wait for each other, from the first cache to memory"
    check = "sum of all words, and sum and end of each walk, against the formula of the cycle"
    shipped_golden = True
    always_shipped = True
    lower_is_better = True
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "smallest_kibibytes": Parameter(16, "smallest working set", "KiB", 1, 1 << 20),
        "largest_mebibytes": Parameter(
            128, "largest working set; beyond the last cache to see memory", "MiB", 1, 1 << 16
        ),
        "loads": Parameter(1 << 15, "timed loads of each size in one pass", "", 1 << 8, 1 << 24),
    }
    small: ClassVar[Mapping[str, Value]] = {"largest_mebibytes": 1, "loads": 1 << 12}

    def sizes_bytes(self, parameters: Parameters) -> list[int]:
        """Working sets: powers of two from the smallest (rounded down) to the largest."""
        size = 1 << (whole(parameters, "smallest_kibibytes") * _KIB).bit_length() - 1
        largest = max(whole(parameters, "largest_mebibytes") * _MIB, size)
        return [size << doubling for doubling in range((largest // size).bit_length())]

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`."""
        return sum(self.sizes_bytes(parameters))

    def prepare(self, parameters: Parameters, seed: int) -> LatencyTask:
        """See :class:`Workload`."""
        return LatencyTask(self.sizes_bytes(parameters), whole(parameters, "loads"), seed)

    def longest_pass_seconds(self, parameters: Parameters, work_per_pass: float) -> float:
        """See :class:`Workload`: a lap or an audit of a set waits 2 us for a line at most."""
        loads = len(self.sizes_bytes(parameters)) * whole(parameters, "loads")
        lines = self.memory_bytes(parameters) // LINE_BYTES
        usual = super().longest_pass_seconds(parameters, work_per_pass)
        return max(usual, (lines + loads) * _SLOWEST_LOAD_SECONDS)

    def golden(self, parameters: Parameters, seed: int) -> int:
        """See :class:`Workload`: closed form; the pointers of n lines are 8 times 0 to n - 1."""
        loads = whole(parameters, "loads")
        lines = (size // LINE_BYTES for size in self.sizes_bytes(parameters))
        rows = [[_LINE_WORDS * (n * (n - 1) // 2), loads, 0, 0] for n in lines]
        return fold(np.array(rows, np.uint64))

    def warm(self) -> None:
        """See :class:`Workload`."""
        task = LatencyTask([_KIB], 1 << 8, 1)
        task.execute()
        task.digest()
        task.invariants()
