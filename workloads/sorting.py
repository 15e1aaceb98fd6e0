"""`radix-sort`: least-significant-digit radix sort of seeded 64-bit keys.

One sweep counts the digits of all eight bytes; then eight stable counting sorts, lowest byte
first, carry the keys back and forth between two arrays. Source: Knuth, The Art of Computer
Programming 3, section 5.2.5 (digital sorting), algorithm R; Seward (1954). The scattered writes to
256 places at once load store buffers, second-level cache and address translation.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numba import njit, uint64

from workloads.contract import Finding, Parameter, Parameters, Task, Workload
from workloads.digest import combine, fold
from workloads.prng import mix64, splitmix64

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Keys = NDArray[np.uint64]

_DEFAULT_KEYS = 3 << 20
_DEFAULT_SEED = 1
#: Golden digests: (keys, seed) -> digest. The tests make them anew with numpy's sort.
GOLDEN = {(_DEFAULT_KEYS, _DEFAULT_SEED): 0xE46914D42A24C912}


@njit(cache=True, nogil=True)
def count_digits(keys, starts):  # type: ignore[no-untyped-def]
    """Where the keys with each value of each byte begin: `starts` is uint64[8, 256]."""
    starts[:] = 0
    for key in keys:
        for digit in range(8):
            starts[digit, (key >> uint64(8 * digit)) & uint64(255)] += uint64(1)
    for digit in range(8):
        place = uint64(0)
        for value in range(256):
            count = starts[digit, value]
            starts[digit, value] = place
            place += count


@njit(cache=True, nogil=True)
def _distribute(source, target, starts, digit):  # type: ignore[no-untyped-def]
    """One stable counting sort by byte `digit`; uses `starts` up."""
    shift = uint64(8 * digit)
    for key in source:
        value = (key >> shift) & uint64(255)
        place = starts[value]
        # A place beyond the end comes from a wrong count; the digest then tells, not a crash.
        if place < uint64(target.size):
            target[place] = key
        starts[value] = place + uint64(1)


@njit(cache=True, nogil=True)
def distribute_all(keys, scratch, result, starts):  # type: ignore[no-untyped-def]
    """The eight sorts: keys -> scratch -> result -> scratch ... -> result."""
    _distribute(keys, scratch, starts[0], 0)
    for digit in range(1, 8, 2):
        _distribute(scratch, result, starts[digit], digit)
        if digit < 7:
            _distribute(result, scratch, starts[digit + 1], digit + 1)


@njit(cache=True, nogil=True)
def _first_descent(keys):  # type: ignore[no-untyped-def]
    for place in range(1, keys.size):
        if keys[place - 1] > keys[place]:
            return place
    return 0


@njit(cache=True, nogil=True)
def multiset_checksum(keys):  # type: ignore[no-untyped-def]
    """Sum of the mixed keys modulo 2^64: the same for every order of the same keys."""
    total = uint64(0)
    for key in keys:
        total += mix64(key)
    return total


class SortTask(Task):
    """One lane's keys, the scratch array and the sorted keys."""

    def __init__(self, keys: Keys) -> None:
        super().__init__()
        self.work_per_pass = float(keys.size)
        self._keys = keys
        self._scratch = np.zeros_like(keys)
        self._result = np.zeros_like(keys)
        self._starts = np.zeros((8, 256), np.uint64)

    def execute(self) -> None:
        """Count, then distribute eight times; the keys themselves stay as they are."""
        self.count()
        self.distribute()

    def count(self) -> None:
        """The first part of a pass."""
        count_digits(self._keys, self._starts)

    def distribute(self) -> None:
        """The second part of a pass."""
        distribute_all(self._keys, self._scratch, self._result, self._starts)

    def digest(self) -> int:
        """Of the sorted keys."""
        return combine(fold(self._result))

    def inputs_digest(self) -> int:
        """Of the keys."""
        return fold(self._keys)

    def buffers(self) -> dict[str, Buffer]:
        """Keys, scratch array, digit starts and sorted keys."""
        return {
            "input_keys": self._keys,
            "intermediate_scratch": self._scratch,
            "intermediate_starts": self._starts,
            "result_keys": self._result,
        }

    def invariants(self) -> tuple[Finding, ...]:
        """Order alone would find 3 % of flips only; the multiset is checked too."""
        descent = int(_first_descent(self._result))
        detail = f"element {descent} is less than the one before" if descent else "none descends"
        wanted, found = (int(multiset_checksum(keys)) for keys in (self._keys, self._result))
        sums = f"keys {wanted:#018x}, sorted keys {found:#018x}"
        return (
            Finding("order", not descent, detail),
            Finding("multiset checksum", wanted == found, sums),
        )


class RadixSortWorkload(Workload):
    """Radix sort of 64-bit keys."""

    name = "radix-sort"
    version = 1
    family = "integer"
    unit = "key"
    purpose = "scattered stores to 256 places at once: store buffers, caches, address translation"
    check = "digest of the sorted keys; order and multiset checksum"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "keys": Parameter(_DEFAULT_KEYS, "keys one pass sorts", "", 1 << 8, 1 << 30)
    }
    shipped_golden = True
    slowest_per_second = 1e6

    def memory_bytes(self, parameters: Parameters) -> int:
        """Keys, scratch and result, and the digit counts."""
        return 3 * 8 * _keys(parameters) + 8 * 8 * 256

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """Keys are the outputs of SplitMix64 started with `seed`."""
        return SortTask(splitmix64(seed, _keys(parameters)))

    def golden(self, parameters: Parameters, seed: int) -> int | None:
        """Shipped for the default number of keys and seed 1."""
        return GOLDEN.get((_keys(parameters), seed))

    def warm(self) -> None:
        """Compile the kernels."""
        task = SortTask(splitmix64(1, 256))
        task.execute()
        task.digest()
        task.invariants()


def _keys(parameters: Parameters) -> int:
    return int(str(parameters["keys"]))
