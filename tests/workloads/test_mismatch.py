"""Wrong words told by offset, addresses and bits."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from workloads.mismatch import (
    PhysicalAddress,
    Watched,
    compare_logs,
    log_difference,
    physical_address,
)
from workloads.words import BITS, COMPARED, EXPECTED, FIRST, FOUND, WRONG, aligned_words, new_log

PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
PRESENT = 1 << 63


def pagemap(folder: Path, *entries: int) -> Path:
    path = folder / "pagemap"
    path.write_bytes(b"".join(entry.to_bytes(8, "little") for entry in entries))
    return path


def test_a_present_page_gives_frame_and_place_within_the_page(tmp_path: Path) -> None:
    path = pagemap(tmp_path, 0, PRESENT | 0x1234)
    assert physical_address(PAGE_BYTES + 24, path).address == 0x1234 * PAGE_BYTES + 24


def test_flag_bits_above_the_frame_number_are_not_part_of_it(tmp_path: Path) -> None:
    path = pagemap(tmp_path, PRESENT | 1 << 61 | 1 << 55 | 0x7)
    assert physical_address(0, path).address == 7 * PAGE_BYTES


@pytest.mark.parametrize(
    ("entries", "reason"),
    [((0,), "not in memory"), ((PRESENT,), "needs root"), ((), "not in memory")],
)
def test_what_cannot_be_known_has_a_reason(
    tmp_path: Path, entries: tuple[int, ...], reason: str
) -> None:
    found = physical_address(0, pagemap(tmp_path, *entries))
    assert found.address is None
    assert reason in found.reason
    assert reason in found.describe()


def test_a_system_without_pagemap_is_a_reason_and_no_error(tmp_path: Path) -> None:
    found = physical_address(0, tmp_path / "absent")
    assert found.address is None
    assert "No such file" in found.reason


def test_this_machine_gives_an_address_in_the_same_place_of_a_page_or_a_reason() -> None:
    words = aligned_words(512)
    words[:] = 1
    found = physical_address(words.ctypes.data + 40)
    known = found.address is not None and found.address % PAGE_BYTES == 40
    assert known is not bool(found.reason)


def wrong_row(first: int = 3) -> np.ndarray:
    row = new_log(1)[0]
    row[[COMPARED, WRONG, FIRST, EXPECTED, FOUND, BITS]] = (512, 2, first, 0xF0, 0xF1, 0x11)
    return row


def test_a_finding_tells_offset_virtual_and_physical_address_and_bits(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    looked_up: list[int] = []

    def known(virtual: int) -> PhysicalAddress:
        looked_up.append(virtual)
        return PhysicalAddress(0xABC018)

    monkeypatch.setattr("workloads.mismatch.physical_address", known)
    words = aligned_words(512)
    finding = Watched("region", words, wrong_row(), base=1024).finding()
    virtual = words.ctypes.data + 24
    assert not finding.ok
    assert looked_up == [virtual]
    for part in (
        "2 of 512 words",
        f"offset 0x{(1024 + 3) * 8:x}",
        f"virtual address 0x{virtual:x}",
        "physical 0xabc018",
        "expected 0x00000000000000f0",
        "found 0x00000000000000f1",
        "bits ever wrong 0x0000000000000011",
    ):
        assert part in finding.detail


def test_a_right_log_looks_no_address_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr("workloads.mismatch.physical_address")
    row = new_log(1)[0]
    row[COMPARED] = 512
    finding = Watched("region", aligned_words(512), row).finding()
    assert finding.ok
    assert finding.detail == "0 of 512 words compared were wrong"


def test_a_log_that_was_hit_itself_is_reported_and_no_address_invented() -> None:
    finding = Watched("region", aligned_words(512), wrong_row(first=1 << 40)).finding()
    assert not finding.ok
    assert "beyond the array" in finding.detail
    assert "virtual" not in finding.detail


def test_a_difference_counts_words_from_the_start_of_the_region() -> None:
    difference = log_difference("region", wrong_row(), base=1000)
    assert difference is not None
    assert (difference.buffer, difference.index, difference.elements) == ("region", (1003,), 2)
    assert difference.expected_bits == "0x00000000000000f0"
    assert difference.found_bits == "0x00000000000000f1"


def test_logs_compare_from_whichever_side_met_the_wrong_word() -> None:
    words, clean = aligned_words(512), new_log(1)[0]
    here = compare_logs((Watched("region", words, wrong_row()),), np.array([clean]))
    there = compare_logs((Watched("region", words, clean),), np.array([wrong_row()]))
    assert here is not None
    assert there is not None
    # "found" is the task's side: seen from a right task, the wrong word is the reference's.
    assert (here.expected_bits, here.found_bits) == (there.found_bits, there.expected_bits)
    assert compare_logs((Watched("region", words, clean),), np.array([clean])) is None
