"""Memory modules, from a table built as DSP0134 (SMBIOS) lays it out."""

from __future__ import annotations

import errno
import os
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.machine.fact_values import reason_of
from harness.machine.memory_modules import memory_module_facts, parse_table
from harness.sensors import files
from tests.sysfs_trees import Tree


def _device(size: int, *, speed: int = 5600, configured: int = 4800, extended_mib: int = 0,
            kind: int = 0x22, ranks: int = 2, millivolts: int = 1100) -> bytes:  # fmt: skip
    """A Memory Device structure (type 17) of SMBIOS 3.3, with its strings."""
    formatted = bytearray(0x5C)
    formatted[0], formatted[1] = 17, len(formatted)
    struct.pack_into("<H", formatted, 0x0C, size)
    formatted[0x10], formatted[0x17], formatted[0x18], formatted[0x1A] = 1, 2, 3, 4
    formatted[0x12], formatted[0x1B] = kind, ranks
    struct.pack_into("<H", formatted, 0x15, speed)
    struct.pack_into("<I", formatted, 0x1C, extended_mib)
    struct.pack_into("<H", formatted, 0x20, configured)
    struct.pack_into("<H", formatted, 0x26, millivolts)
    struct.pack_into("<I", formatted, 0x54, 9_000)
    struct.pack_into("<I", formatted, 0x58, 8_400)
    return bytes(formatted) + b"DIMM A1\0Module Maker\0SERIAL123\0PART-5\0\0"


_OTHER = bytes([1, 4, 0, 0]) + b"\0\0"
_END = bytes([127, 4, 0, 0]) + b"\0\0"


def _facts(tmp_path: Path, *structures: bytes) -> object:
    Tree(tmp_path).write("sys/firmware/dmi/tables/DMI", b"".join(structures) + _END)
    return memory_module_facts(tmp_path)


def test_a_module_is_described_without_its_serial_number(tmp_path: Path) -> None:
    facts = _facts(tmp_path, _OTHER, _device(16_384))
    assert facts == [
        {
            "slot": "DIMM A1",
            "size_bytes": 16 * 2**30,
            "type": "DDR5",
            "rated_mega_transfers_per_second": 5600,
            "configured_mega_transfers_per_second": 4800,
            "configured_volts": 1.1,
            "ranks": 2,
            "maker": "Module Maker",
            "part": "PART-5",
        }
    ]
    assert "SERIAL" not in str(facts)


def test_empty_slots_are_left_out_and_large_modules_use_the_longer_field(tmp_path: Path) -> None:
    facts = _facts(tmp_path, _device(0), _device(0x7FFF, extended_mib=65_536), _device(0xFFFF))
    assert isinstance(facts, list)
    assert [it["size_bytes"] for it in facts] == [64 * 2**30]


def test_small_units_and_extended_speeds_follow_the_specification(tmp_path: Path) -> None:
    facts = _facts(tmp_path, _device(0x8000 | 512, speed=0xFFFF, configured=0xFFFF))
    assert isinstance(facts, list)
    (module,) = facts
    assert module["size_bytes"] == 512 * 1024
    assert module["rated_mega_transfers_per_second"] == 9_000
    assert module["configured_mega_transfers_per_second"] == 8_400


@given(st.binary(max_size=600))
def test_any_bytes_are_a_table_that_ends(table: bytes) -> None:
    assert len(list(parse_table(table))) <= 4096


def test_a_table_that_only_root_may_read_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> int:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(files, "open_regular", refuse)
    assert "root only" in reason_of(memory_module_facts(tmp_path))


def test_a_machine_without_the_table_and_one_without_modules_say_so(tmp_path: Path) -> None:
    assert "no table" in reason_of(memory_module_facts(tmp_path))
    assert "lists no memory module" in reason_of(_facts(tmp_path, _OTHER))
