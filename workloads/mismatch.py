"""Saying where memory did not hold what it must: offset, addresses, expected and found bits.

Where the system allows it, the physical address is looked up in ``/proc/self/pagemap`` (Linux,
Documentation/admin-guide/mm/pagemap.rst: one 64-bit entry a page, bit 63 present, bits 0 to 54
the frame number, which reads as 0 without CAP_SYS_ADMIN).
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from workloads.contract import Difference, Finding
from workloads.words import BITS, COMPARED, EXPECTED, FIRST, FOUND, WORD_BYTES, WRONG

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Words = NDArray[np.uint64]

_ENTRY_BYTES = 8
_PRESENT = 1 << 63
_FRAME = (1 << 55) - 1
PAGEMAP = Path("/proc/self/pagemap")


@dataclass(frozen=True)
class PhysicalAddress:
    """A physical address, or None with the reason why it is not known."""

    address: int | None
    reason: str = ""

    def describe(self) -> str:
        """For a failure's detail: ``0x1f3a4008``, or ``unknown (why)``."""
        return f"unknown ({self.reason})" if self.address is None else f"0x{self.address:x}"


def physical_address(virtual: int, pagemap: Path = PAGEMAP) -> PhysicalAddress:
    """The physical address behind a virtual one of this process, where it can be known."""
    page_bytes = os.sysconf("SC_PAGE_SIZE") if hasattr(os, "sysconf") else 4096
    page, within = divmod(virtual, page_bytes)
    try:
        with pagemap.open("rb", buffering=0) as file:
            file.seek(page * _ENTRY_BYTES)
            raw = file.read(_ENTRY_BYTES)
    except OSError as error:
        return PhysicalAddress(None, f"{pagemap}: {error.strerror or error}")
    entry = int.from_bytes(raw, "little")
    if len(raw) < _ENTRY_BYTES or not entry & _PRESENT:
        return PhysicalAddress(None, "the page is not in memory")
    if not entry & _FRAME:
        return PhysicalAddress(None, "needs root")
    return PhysicalAddress((entry & _FRAME) * page_bytes + within)


@dataclass(frozen=True)
class Watched:
    """An array whose words a pass compares: its name, its words, its row of the log.

    `base` is the array's place (in words) within the region that offsets are counted in.
    """

    name: str
    words: Words
    row: Words
    base: int = 0

    def finding(self) -> Finding:
        """What the last pass saw; addresses are looked up only when a word was wrong."""
        wrong, compared = int(self.row[WRONG]), int(self.row[COMPARED])
        detail = f"{wrong} of {compared} words compared were wrong"
        if wrong:
            detail += f", first {self._place()}: {self._bits()}"
        return Finding(f"every word of {self.name}", not wrong, detail)

    def _place(self) -> str:
        first = int(self.row[FIRST])
        if first >= self.words.size:  # the log itself was hit
            return f"at word {first}, beyond the array"
        virtual = self.words.ctypes.data + first * WORD_BYTES
        offset = (self.base + first) * WORD_BYTES
        physical = physical_address(virtual).describe()
        return f"at offset 0x{offset:x} (virtual address 0x{virtual:x}, physical {physical})"

    def _bits(self) -> str:
        expected, found, bits = (int(self.row[at]) for at in (EXPECTED, FOUND, BITS))
        return f"expected 0x{expected:016x}, found 0x{found:016x}, bits ever wrong 0x{bits:016x}"

    def difference(self) -> Difference | None:
        """The first wrong word that the last pass saw, or None."""
        return log_difference(self.name, self.row, self.base)


def log_difference(name: str, row: Words, base: int = 0) -> Difference | None:
    """The first wrong word that log row `row` tells of; its index counts words from 0."""
    if not row[WRONG]:
        return None
    return Difference(
        buffer=name,
        index=(base + int(row[FIRST]),),
        expected_bits=f"0x{int(row[EXPECTED]):016x}",
        found_bits=f"0x{int(row[FOUND]):016x}",
        elements=int(row[WRONG]),
    )


def compare_logs(watched: tuple[Watched, ...], reference: Words) -> Difference | None:
    """As `Task.compare`, told as words of memory rather than as entries of the log.

    Either side may be the one that met wrong words: `reference` (log rows of another pass, one a
    watched array) may come from a wrong pass while the task holds a right one.
    """
    for array, row in zip(watched, reference, strict=True):
        found = array.difference()
        if found is not None:
            return found
        other = log_difference(array.name, row, array.base)
        if other is not None:
            return Difference(
                other.buffer, other.index, other.found_bits, other.expected_bits, other.elements
            )
    return None
