"""`sieve`: all primes up to a limit, by a segmented sieve of Eratosthenes over odd numbers.

One byte stands for one odd number. A segment fits the first-level cache: it starts as a copy of a
pattern in which the multiples of 3 to 13 are crossed out already, then every further prime up to
the square root of the limit crosses out its odd multiples, then the segment is counted and
packed, one bit an odd number, into the result.

Source: Bays and Hudson (1977), "The segmented sieve of Eratosthenes and primes in arithmetic
progressions to 10^12", BIT 17, 121-127. Counts are checked against the published numbers of
primes below powers of ten (OEIS A006880).
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isqrt
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numba import njit, uint64

from workloads.contract import Finding, Parameter, Parameters, Task, Workload
from workloads.digest import combine, fold

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

#: Numbers of primes up to 10^k (OEIS A006880).
PRIMES_BELOW_POWER_OF_TEN = {
    1: 4,
    2: 25,
    3: 168,
    4: 1229,
    5: 9592,
    6: 78498,
    7: 664579,
    8: 5761455,
    9: 50847534,
    10: 455052511,
    11: 4118054813,
    12: 37607912018,
}
_PATTERN_PRIMES = (3, 5, 7, 11, 13)
#: The pattern repeats after the product of its primes, in odd numbers.
_PATTERN_PERIOD = 3 * 5 * 7 * 11 * 13
_COUNTED_TOGETHER = 128
_LOW_BYTES = 0x00FF00FF00FF00FF
_DEFAULT_LIMIT = 100_000_000
_DEFAULT_SEGMENT_BYTES = 32768
#: Golden digests: (limit, segment_bytes) -> digest. The tests make them anew with numpy.
GOLDEN = {(_DEFAULT_LIMIT, _DEFAULT_SEGMENT_BYTES): 0x115B1CC689D7ED2F}


@njit(cache=True, nogil=True)
def cross_out(segment, start, pattern, primes, offsets):  # type: ignore[no-untyped-def]
    """Mark one segment: byte j is 1 where the odd number 2 (start + j) + 1 survives.

    `offsets` holds, for each prime, the distance in bytes from the segment's begin to the prime's
    next odd multiple, and is moved on to the next segment.
    """
    size = uint64(segment.size)
    phase = start % uint64(_PATTERN_PERIOD)
    for at in range(size):
        segment[at] = pattern[phase + at]
    for number in range(primes.size):
        prime = uint64(primes[number])
        at = uint64(offsets[number])
        while at < size:
            segment[at] = 0
            at += prime
        offsets[number] = at - size


@njit(cache=True, nogil=True)
def harvest(segment, packed):  # type: ignore[no-untyped-def]
    """Pack a segment's flags, bit i of a byte for the i-th of eight; returns their number."""
    words = segment.view(np.uint64)
    for place in range(words.size):
        # Flag i stands at bit 8i; the factor's bit 56 - 7i brings it to bit 56 + i.
        packed[place] = (words[place] * uint64(0x0102040810204080)) >> uint64(56)
    count = uint64(0)
    for block in range(words.size // _COUNTED_TOGETHER):
        flags = uint64(0)
        for word in words[block * _COUNTED_TOGETHER : (block + 1) * _COUNTED_TOGETHER]:
            flags += word  # each byte counts to 128 at most
        pairs = (flags & uint64(_LOW_BYTES)) + ((flags >> uint64(8)) & uint64(_LOW_BYTES))
        count += (pairs * uint64(0x0001000100010001)) >> uint64(48)
    return count


@njit(cache=True, nogil=True)
def _sieve(segment, pattern, primes, offsets, odds, counts, bitmap):  # type: ignore[no-untyped-def]
    packed_bytes = uint64(segment.size // 8)
    for number in range(counts.size):
        start = uint64(number) * uint64(segment.size)
        cross_out(segment, start, pattern, primes, offsets)
        if number == 0:
            segment[0] = 0  # the number 1
            for prime in (1, 2, 3, 5, 6):  # bytes of 3, 5, 7, 11, 13
                segment[prime] = 1
        if odds < start + uint64(segment.size):
            for beyond in range(odds - start, uint64(segment.size)):
                segment[beyond] = 0
        place = uint64(number) * packed_bytes
        counts[number] = harvest(segment, bitmap[place : place + packed_bytes])


def _odd_primes_to(limit: int) -> NDArray[np.uint64]:
    """Odd primes up to `limit` beyond the pattern's, by a plain sieve."""
    flags = np.ones(limit // 2 + 1, np.bool_)
    for odd in range(3, isqrt(limit) + 1, 2):
        if flags[odd // 2]:
            flags[odd * odd // 2 :: odd] = False
    found = np.flatnonzero(flags).astype(np.uint64) * np.uint64(2) + np.uint64(1)
    return found[(found > _PATTERN_PRIMES[-1]) & (found <= limit)]


def _pattern(segment_bytes: int) -> NDArray[np.uint8]:
    """Odd numbers with the multiples of the pattern's primes crossed out, long enough to slice."""
    pattern = np.ones(_PATTERN_PERIOD + segment_bytes, np.uint8)
    for prime in _PATTERN_PRIMES:
        pattern[prime // 2 :: prime] = 0
    return pattern


class SieveTask(Task):
    """One lane's tables, its segment, and the result: primes as bits, the count of each segment."""

    def __init__(self, limit: int, segment_bytes: int) -> None:
        super().__init__()
        self.work_per_pass = float(limit)
        self._limit = limit
        self._odds = (limit + 1) // 2
        self._pattern = _pattern(segment_bytes)
        self._primes = _odd_primes_to(isqrt(limit))
        self._first_offsets = self._primes * self._primes // np.uint64(2)
        self._offsets = self._first_offsets.copy()
        self._segment = np.zeros(segment_bytes, np.uint8)
        segments = -(-self._odds // segment_bytes)
        self._counts = np.zeros(segments, np.uint64)
        self._bitmap = np.zeros(segments * segment_bytes // 8, np.uint8)

    def execute(self) -> None:
        """Sieve every segment; the interpreter lock is released throughout."""
        self._offsets[:] = self._first_offsets
        _sieve(
            self._segment,
            self._pattern,
            self._primes,
            self._offsets,
            np.uint64(self._odds),
            self._counts,
            self._bitmap,
        )

    def digest(self) -> int:
        """Of all primes found and the count of each segment."""
        return combine(fold(self._bitmap), fold(self._counts))

    def inputs_digest(self) -> int:
        """Of the pattern and the table of small primes with their first multiples."""
        return combine(fold(self._pattern), fold(self._primes), fold(self._first_offsets))

    def buffers(self) -> dict[str, Buffer]:
        """Bit i of byte b of the primes stands for the number 2 (8 b + i) + 1."""
        return {
            "input_pattern": self._pattern,
            "input_primes": self._primes,
            "input_first_offsets": self._first_offsets,
            "intermediate_offsets": self._offsets,
            "intermediate_segment": self._segment,
            "result_counts": self._counts,
            "result_primes": self._bitmap,
        }

    def invariants(self) -> tuple[Finding, ...]:
        """The number of primes against the published one, where the limit is a power of ten."""
        count = 1 + int(self._counts.sum())  # the sieve leaves out 2
        for power, published in PRIMES_BELOW_POWER_OF_TEN.items():
            if self._limit == 10**power:
                detail = f"published {published}, counted {count}"
                return (Finding("number of primes (OEIS A006880)", count == published, detail),)
        return (_between_published(self._limit, count),)


def _between_published(limit: int, count: int) -> Finding:
    """For other limits: bounds of Rosser and Schoenfeld (1962), Illinois J. Math. 6, 64-94.

    x / ln x < pi(x) < 1.25506 x / ln x for x >= 17 (their corollary 1).
    """
    from math import log

    low, high = limit / log(limit), 1.25506 * limit / log(limit)
    detail = f"counted {count}, must lie between {low:.0f} and {high:.0f}"
    return Finding("number of primes (Rosser and Schoenfeld 1962)", low < count < high, detail)


class SieveWorkload(Workload):
    """Segmented sieve of Eratosthenes."""

    name = "sieve"
    version = 1
    family = "integer"
    unit = "number"
    purpose = "integer additions and scattered byte stores in the first-level cache"
    check = "digest of all primes found; their number, published (OEIS A006880) or bounded"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "limit": Parameter(_DEFAULT_LIMIT, "largest number tested", "", 1_000, 10**10),
        "segment_kibibytes": Parameter(
            _DEFAULT_SEGMENT_BYTES // 1024, "size of a segment", "KiB", 4, 65536
        ),
    }
    shipped_golden = True
    slowest_per_second = 2e7

    def memory_bytes(self, parameters: Parameters) -> int:
        """Pattern, segment, the table of small primes, the primes as bits, a word a segment."""
        limit, segment_bytes = _sizes(parameters)
        result = limit // 16 + segment_bytes // 8 + 8 * (limit // segment_bytes + 1)
        return _PATTERN_PERIOD + 2 * segment_bytes + 32 * isqrt(limit) + result

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """Make the tables; the primes do not depend on the seed."""
        return SieveTask(*_sizes(parameters))

    def golden(self, parameters: Parameters, seed: int) -> int | None:
        """Shipped for the default limit and segment."""
        return GOLDEN.get(_sizes(parameters))

    def warm(self) -> None:
        """Compile the kernels."""
        task = SieveTask(1_000, 4096)
        task.execute()
        task.digest()


def _sizes(parameters: Parameters) -> tuple[int, int]:
    return int(str(parameters["limit"])), int(str(parameters["segment_kibibytes"])) * 1024
