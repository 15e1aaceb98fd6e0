"""Memory modules as the firmware's table describes them (root only on most systems).

Source: DMTF DSP0134, System Management BIOS (SMBIOS) Reference Specification, 3.x: structure
header (6.1.2) and Memory Device, type 17 (7.18). Serial numbers and asset tags are not read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.machine.fact_values import FactValue, unknown
from harness.sensors.files import describe, read_bytes, visible

_TABLE = "sys/firmware/dmi/tables/DMI"
_TABLE_BYTES = 1 << 20
_MEMORY_DEVICE = 17
_END_OF_TABLE = 127
_MOST_STRUCTURES = 4096
_MIB = 1024 * 1024
_TYPES = {
    0x18: "DDR3", 0x1A: "DDR4", 0x1B: "LPDDR", 0x1C: "LPDDR2", 0x1D: "LPDDR3", 0x1E: "LPDDR4",
    0x20: "HBM", 0x21: "HBM2", 0x22: "DDR5", 0x23: "LPDDR5", 0x24: "HBM3",
}  # fmt: skip


@dataclass(frozen=True)
class Structure:
    """One structure of the table: its formatted part and its strings (numbered from 1)."""

    kind: int
    formatted: bytes
    strings: tuple[str, ...]

    def byte(self, offset: int) -> int | None:
        """One byte of the formatted part, or None where the structure is shorter."""
        return self.formatted[offset] if offset < len(self.formatted) else None

    def number(self, offset: int, size: int) -> int | None:
        """A little-endian number of `size` bytes."""
        if offset + size > len(self.formatted):
            return None
        return int.from_bytes(self.formatted[offset : offset + size], "little")

    def text(self, offset: int) -> str | None:
        """The string that a byte points to, or None."""
        index = self.byte(offset)
        if not index or index > len(self.strings):
            return None
        return visible(self.strings[index - 1].strip(), 60) or None


def parse_table(table: bytes) -> Iterator[Structure]:
    """The structures of an SMBIOS table; a damaged one ends the walk."""
    start = 0
    for _ in range(_MOST_STRUCTURES):
        if start + 4 > len(table):
            return
        kind, length = table[start], table[start + 1]
        end = table.find(b"\0\0", start + length)
        if length < 4 or end < 0:
            return
        strings = table[start + length : end].split(b"\0")
        texts = tuple(it.decode("utf-8", "replace") for it in strings if it)
        yield Structure(kind, table[start : start + length], texts)
        if kind == _END_OF_TABLE:
            return
        start = end + 2


def memory_module_facts(root: Path) -> FactValue:
    """One entry for each populated slot: size, type, speeds, ranks, maker and part number."""
    try:
        table = read_bytes(root / _TABLE, _TABLE_BYTES)
    except PermissionError:
        return unknown("readable by root only: declare what you set, it cannot be checked here")
    except FileNotFoundError:
        return unknown("the firmware gives no table of modules")
    except OSError as error:
        return unknown(describe(error))
    devices = [it for it in parse_table(table) if it.kind == _MEMORY_DEVICE]
    if not devices:
        return unknown("the firmware's table lists no memory module")
    return [module for module in map(_module, devices) if module is not None]


def _module(device: Structure) -> dict[str, FactValue] | None:
    size = _size_bytes(device)
    if not size:
        return None
    attributes = device.byte(0x1B)
    facts = {
        "slot": device.text(0x10),
        "size_bytes": size,
        "type": _TYPES.get(device.byte(0x12) or 0),
        "rated_mega_transfers_per_second": _speed(device, 0x15, 0x54),
        "configured_mega_transfers_per_second": _speed(device, 0x20, 0x58),
        "configured_volts": _volts(device),
        "ranks": (attributes & 0x0F) or None if attributes is not None else None,
        "maker": device.text(0x17),
        "part": device.text(0x1A),
    }
    return {name: value for name, value in facts.items() if value is not None}


def _size_bytes(device: Structure) -> int | None:
    """Size field (7.18.1, 7.18.2): 0 is an empty slot, 0xFFFF unknown, 0x7FFF a longer field."""
    size = device.number(0x0C, 2)
    if size in (None, 0, 0xFFFF):
        return None
    if size == 0x7FFF:
        return (device.number(0x1C, 4) or 0) * _MIB
    return (size & 0x7FFF) * 1024 if size & 0x8000 else size * _MIB


def _speed(device: Structure, offset: int, extended: int) -> int | None:
    speed = device.number(offset, 2)
    if speed == 0xFFFF:
        return device.number(extended, 4)
    return speed or None


def _volts(device: Structure) -> float | None:
    millivolts = device.number(0x26, 2)
    return millivolts / 1_000 if millivolts else None
