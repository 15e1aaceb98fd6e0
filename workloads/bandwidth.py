"""Memory bandwidth: read, write, transfer and multiply-add over arrays far larger than a cache.

Bytes counted are those the kernel itself is about, array words read plus array words written
(common practice, no source):

- ``memory-read``: n words read;
- ``memory-write``: n words written;
- ``memory-transfer``: ``target[i] = source[i] xor mask``, n read and n written;
- ``memory-multiply-add``: ``target[i] = left[i] + factor right[i]`` in FP64, 2 n read, n written.

Every pass of the three that write is two sweeps, which write two different contents in turn (mask
0 and all ones; factors 3 and 5), and ends with the contents it began with.

**How every word is verified, at no traffic.** An ordinary store first fetches its cache line
(write-allocate). So each sweep loads the word that it is about to overwrite, which the core must
fetch anyway, and compares it with what the sweep before wrote there. Words that are only read are
compared when they are read. No word is left out and nothing is sampled: the first sweep of a pass
checks what the last sweep of the pass before wrote (`prepare` wrote it before the first pass), the
second checks the first. What the very last sweep of a task wrote is read by `invariants`. Since
the two contents differ in every word, a store that never happened is caught as well. After a pass
that met a wrong word the array is written afresh, so that one fault fails one pass.

The result of a pass is its log: words compared, their sum, words wrong and the first of them. Its
golden is closed-form: all words compared, an arithmetic series for the sum, none wrong. Words
follow `workloads.words`; the FP64 operands are the numbers in [1, 2) whose bit patterns form an
arithmetic series, so the same sums and comparisons hold for them.

On machines whose cores avoid the fetch (non-temporal or whole-line stores) a loop that checks
nothing can write faster than this one; here the fetched line is used.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numba import njit, uint64

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
    expected_block,
    fill_words,
    new_log,
    note,
    rewrite_up,
    start_word,
    sum_of_words,
    whole_blocks,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer, Difference
    from workloads.words import Words

    Numbers = NDArray[np.float64]

_MIB = 1 << 20
_ONE_BITS = 0x3FF0000000000000  # the FP64 number 1.0
_MANTISSA = 1 << 52
_STARTS = 1 << 40
_FACTORS = (3.0, 5.0)
_SWEEPS = 2


@njit(cache=True, nogil=True)
def _transfer(source, target, start, old, new, log):  # type: ignore[no-untyped-def]
    """One sweep; log row 0 is the source's, row 1 the target's."""
    step, read, overwritten = uint64(STEP), uint64(0), uint64(0)
    found = np.empty(BLOCK, np.uint64)
    for begin in range(0, source.size, BLOCK):
        taken, given = source[begin : begin + BLOCK], target[begin : begin + BLOCK]
        first = start + uint64(begin) * step
        differing = uint64(0)
        for place in range(BLOCK):
            expected = first + uint64(place) * step
            value = taken[place]
            found[place] = given[place]
            plain = found[place] ^ old
            read += value
            overwritten += plain
            differing |= (value ^ expected) | (plain ^ expected)
            given[place] = value ^ new
        if differing != uint64(0):
            note(log[0], taken, expected_block(first, step, uint64(0)), begin)
            note(log[1], found, expected_block(first, step, old), begin)
    log[0, SUM] += read
    log[1, SUM] += overwritten
    log[:, COMPARED] += uint64(source.size)


@njit(cache=True, nogil=True)
def _fill_numbers(bits, start, step):  # type: ignore[no-untyped-def]
    for place in range(bits.size):
        bits[place] = start + uint64(place) * step


@njit(cache=True, nogil=True)
def _multiply_add(left, right, factor, target):  # type: ignore[no-untyped-def]
    for place in range(target.size):
        target[place] = left[place] + factor * right[place]


@njit(cache=True, nogil=True)
def _check_multiply_add(left, right, factor, target, row):  # type: ignore[no-untyped-def]
    """Compare every bit of the target with what the operands give."""
    expected = np.empty(BLOCK, np.float64)
    for begin in range(0, target.size, BLOCK):
        block = slice(begin, begin + BLOCK)
        _multiply_add(left[block], right[block], factor, expected)
        note(row, target[block].view(np.uint64), expected.view(np.uint64), begin)
    row[COMPARED] += uint64(target.size)


@njit(cache=True, nogil=True)
def _multiply_add_sweep(left, right, target, starts, step, old, new, log):  # type: ignore[no-untyped-def]
    """One sweep; log rows are those of left, right and target. `starts`: first words' bits."""
    left_bits, right_bits = left.view(np.uint64), right.view(np.uint64)
    read_left, read_right = uint64(0), uint64(0)
    found = np.empty(BLOCK, np.float64)
    for begin in range(0, target.size, BLOCK):
        a, b = left[begin : begin + BLOCK], right[begin : begin + BLOCK]
        a_bits, b_bits = left_bits[begin : begin + BLOCK], right_bits[begin : begin + BLOCK]
        given = target[begin : begin + BLOCK]
        first_a = starts[0] + uint64(begin) * step
        first_b = starts[1] + uint64(begin) * step
        differing, stale = uint64(0), 0
        for place in range(BLOCK):
            offset = uint64(place) * step
            word_a, word_b = a_bits[place], b_bits[place]
            read_left += word_a
            read_right += word_b
            differing |= (word_a ^ (first_a + offset)) | (word_b ^ (first_b + offset))
            found[place] = given[place]
            # No zero occurs and NaN is unequal to everything, so this compares all bits.
            stale |= int(found[place] != a[place] + old * b[place])
            given[place] = a[place] + new * b[place]
        if differing != uint64(0) or stale:
            right_block = np.empty(BLOCK, np.float64)
            _multiply_add(a, b, old, right_block)
            note(log[0], a_bits, expected_block(first_a, step, uint64(0)), begin)
            note(log[1], b_bits, expected_block(first_b, step, uint64(0)), begin)
            note(log[2], found.view(np.uint64), right_block.view(np.uint64), begin)
    log[0, SUM] += read_left
    log[1, SUM] += read_right
    log[:, COMPARED] += uint64(target.size)


class _BandwidthTask(Task):
    """What the four tasks share: arrays, a log row for each, and the digest of the log."""

    def __init__(self, roles: Mapping[str, Buffer], sweeps: int, accesses: int) -> None:
        super().__init__()
        self._arrays: dict[str, Buffer] = dict(roles)
        self.log = new_log(len(roles))
        words = next(iter(roles.values())).size
        self.work_per_pass = float(sweeps * accesses * words * WORD_BYTES)

    def execute(self) -> None:
        """See :class:`Task`."""
        if self.log[:, WRONG].any():
            self._restore()
        self.log[:] = 0
        self._sweep()

    def digest(self) -> int:
        """See :class:`Task`: the log, which every word compared has gone into."""
        return fold(self.log)

    def inputs_digest(self) -> int:
        """See :class:`Task`. A word found wrong before it was overwritten is a changed input."""
        seen = np.ascontiguousarray(self.log[:, WRONG:])
        return combine(fold(seen), *(fold(words) for words in self._arrays.values()))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`. An intermediate array is verified by the sweep that overwrites it."""
        return {**self._arrays, "result_log": self.log}

    def watched(self) -> tuple[Watched, ...]:
        """The arrays with their rows of the log."""
        named = zip(self._arrays.items(), self.log, strict=True)
        return tuple(
            Watched(role.partition("_")[2], words.view(np.uint64), row)
            for (role, words), row in named
        )

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`: what the last pass saw, then the arrays as it left them."""
        seen = tuple(array.finding() for array in self.watched())
        return (*seen, *self._left())

    def compare(self, reference: dict[str, Buffer]) -> Difference | None:
        """See :class:`Task`: the first wrong word of memory, else of the log."""
        log = np.asarray(reference["result_log"], np.uint64)
        return compare_logs(self.watched(), log) or super().compare(reference)

    @abstractmethod
    def _sweep(self) -> None:
        """The load itself."""

    @abstractmethod
    def _restore(self) -> None:
        """Write afresh, from the inputs, what the next pass expects to find."""

    @abstractmethod
    def _left(self) -> tuple[Finding, ...]:
        """Findings about the arrays as the last pass left them."""

    def _checked(self, name: str, words: Words, start: int) -> Finding:
        row = new_log(1)[0]
        check_words(words, np.uint64(start), np.uint64(0), row)
        return Watched(f"{name} as left", words, row).finding()


class ReadTask(_BandwidthTask):
    """One sweep of reads."""

    def __init__(self, words: int, seed: int) -> None:
        self.start, self.words = start_word(seed), aligned_words(words)
        fill_words(self.words, np.uint64(self.start), np.uint64(0))
        super().__init__({"input_words": self.words}, sweeps=1, accesses=1)

    def _sweep(self) -> None:
        check_words(self.words, np.uint64(self.start), np.uint64(0), self.log[0])

    def _restore(self) -> None:
        """Inputs are not mended: memory that lost a bit must go on failing."""

    def _left(self) -> tuple[Finding, ...]:
        return ()  # a read leaves nothing behind


class WriteTask(_BandwidthTask):
    """Two sweeps of writes, each checking the words it overwrites."""

    def __init__(self, words: int, seed: int) -> None:
        self.start, self.words = start_word(seed), aligned_words(words)
        self._restore()
        super().__init__({"intermediate_words": self.words}, sweeps=_SWEEPS, accesses=1)

    def _sweep(self) -> None:
        for old, new in ((0, ALL_ONES), (ALL_ONES, 0)):
            start = np.uint64(self.start)
            rewrite_up(self.words, start, np.uint64(old), np.uint64(new), self.log[0])

    def _restore(self) -> None:
        fill_words(self.words, np.uint64(self.start), np.uint64(0))

    def _left(self) -> tuple[Finding, ...]:
        return (self._checked("words", self.words, self.start),)


class TransferTask(_BandwidthTask):
    """Two sweeps from source to target, the first inverting every bit."""

    def __init__(self, words: int, seed: int) -> None:
        self.start = start_word(seed)
        self.source, self.target = aligned_words(words), aligned_words(words)
        fill_words(self.source, np.uint64(self.start), np.uint64(0))
        self._restore()
        arrays = {"input_source": self.source, "intermediate_target": self.target}
        super().__init__(arrays, sweeps=_SWEEPS, accesses=2)

    def _sweep(self) -> None:
        start = np.uint64(self.start)
        for old, new in ((0, ALL_ONES), (ALL_ONES, 0)):
            masks = np.uint64(old), np.uint64(new)
            _transfer(self.source, self.target, start, *masks, self.log)

    def _restore(self) -> None:
        np.copyto(self.target, self.source)

    def _left(self) -> tuple[Finding, ...]:
        return (self._checked("target", self.target, self.start),)


class MultiplyAddTask(_BandwidthTask):
    """Two sweeps of ``target = left + factor right``, factors 5 and 3."""

    def __init__(self, words: int, seed: int) -> None:
        left, right, self.step = number_series(words, seed)
        self.starts = np.array([left, right], np.uint64)
        self.left, self.right, self.target = (
            aligned_words(words).view(np.float64) for _ in range(3)
        )
        for array, start in zip((self.left, self.right), self.starts, strict=True):
            _fill_numbers(array.view(np.uint64), start, np.uint64(self.step))
        self._restore()
        roles = {
            "input_left": self.left,
            "input_right": self.right,
            "intermediate_target": self.target,
        }
        super().__init__(roles, sweeps=_SWEEPS, accesses=3)

    def _sweep(self) -> None:
        for old, new in (_FACTORS, _FACTORS[::-1]):
            arrays = self.left, self.right, self.target
            _multiply_add_sweep(*arrays, self.starts, np.uint64(self.step), old, new, self.log)

    def _restore(self) -> None:
        _multiply_add(self.left, self.right, _FACTORS[0], self.target)

    def _left(self) -> tuple[Finding, ...]:
        row = new_log(1)[0]
        _check_multiply_add(self.left, self.right, _FACTORS[0], self.target, row)
        return (Watched("target as left", self.target.view(np.uint64), row).finding(),)


def number_series(words: int, seed: int) -> tuple[int, int, int]:
    """First bit patterns of the two operands and their common odd step; all stay within [1, 2)."""
    step = (_MANTISSA - _STARTS) // words - 1 | 1
    left, right = (_ONE_BITS + start_word(seed, stream) % _STARTS for stream in (0, 1))
    return left, right, step


def _row(compared: int, total: int) -> list[int]:
    """The log row of a right pass."""
    return [compared, total % (1 << 64), *[0] * (LOG_WORDS - 2)]


def _golden(*rows: list[int]) -> int:
    return fold(np.array(rows, np.uint64))


class _Bandwidth(Workload):
    """What the four workloads share."""

    version = 1
    family = "memory"
    unit = "byte"
    shipped_golden = True
    always_shipped = True
    slowest_per_second = 2e8
    check = "every word read, and every word before it is overwritten, compared bit by bit"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "mebibytes": Parameter(
            256, "all arrays of a lane together; several times the cache", "MiB", 1, 1 << 20
        )
    }
    small: ClassVar[Mapping[str, Value]] = {"mebibytes": 2}
    arrays: ClassVar[int]

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`."""
        return self.arrays * self.words(parameters) * WORD_BYTES

    def words(self, parameters: Parameters) -> int:
        """Words of each array."""
        return whole_blocks(whole(parameters, "mebibytes") * _MIB // self.arrays)

    def warm(self) -> None:
        """See :class:`Workload`."""
        task = self.prepare({"mebibytes": 1}, 1)
        task.execute()
        task.digest()
        task.invariants()


class MemoryRead(_Bandwidth):
    """Read every word: ``sum of words[i]``, each compared with its own address' word."""

    name = "memory-read"
    purpose = "loads streaming from memory"
    arrays = 1

    def prepare(self, parameters: Parameters, seed: int) -> ReadTask:
        """See :class:`Workload`."""
        return ReadTask(self.words(parameters), seed)

    def golden(self, parameters: Parameters, seed: int) -> int:
        """See :class:`Workload`: closed form."""
        words = self.words(parameters)
        return _golden(_row(words, sum_of_words(start_word(seed), STEP, words)))


class MemoryWrite(_Bandwidth):
    """Write every word: ``words[i] = (start + i step) xor mask``."""

    name = "memory-write"
    purpose = "stores streaming to memory"
    arrays = 1

    def prepare(self, parameters: Parameters, seed: int) -> WriteTask:
        """See :class:`Workload`."""
        return WriteTask(self.words(parameters), seed)

    def golden(self, parameters: Parameters, seed: int) -> int:
        """See :class:`Workload`: closed form."""
        words = self.words(parameters)
        once = sum_of_words(start_word(seed), STEP, words)
        return _golden(_row(_SWEEPS * words, _SWEEPS * once))


class MemoryTransfer(_Bandwidth):
    """Move every word: ``target[i] = source[i] xor mask``."""

    name = "memory-transfer"
    purpose = "loads and stores streaming at once"
    arrays = 2

    def prepare(self, parameters: Parameters, seed: int) -> TransferTask:
        """See :class:`Workload`."""
        return TransferTask(self.words(parameters), seed)

    def golden(self, parameters: Parameters, seed: int) -> int:
        """See :class:`Workload`: closed form."""
        words = self.words(parameters)
        once = sum_of_words(start_word(seed), STEP, words)
        row = _row(_SWEEPS * words, _SWEEPS * once)
        return _golden(row, row)


class MemoryMultiplyAdd(_Bandwidth):
    """Combine two arrays into a third: ``target[i] = left[i] + factor right[i]``."""

    name = "memory-multiply-add"
    purpose = "two load streams and a store stream with floating-point work between"
    arrays = 3

    def prepare(self, parameters: Parameters, seed: int) -> MultiplyAddTask:
        """See :class:`Workload`."""
        return MultiplyAddTask(self.words(parameters), seed)

    def golden(self, parameters: Parameters, seed: int) -> int:
        """See :class:`Workload`: closed form."""
        words = self.words(parameters)
        left, right, step = number_series(words, seed)
        sums = (_SWEEPS * sum_of_words(start, step, words) for start in (left, right))
        return _golden(*(_row(_SWEEPS * words, total) for total in (*sums, 0)))
