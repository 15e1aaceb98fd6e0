"""CPU time in use and memory, from /proc and, elsewhere, psutil."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors.system import (
    ProcChip,
    PsutilChip,
    SystemSource,
    parse_meminfo,
    parse_stat,
)
from tests.sysfs_trees import Tree


def test_busy_share_is_one_minus_idle_over_total(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.memory(1000, 600)
    tree.stat(busy_ticks=100, idle_ticks=900)
    chip = ProcChip(tmp_path)
    chip.read(0.0)
    tree.stat(busy_ticks=175, idle_ticks=925)
    busy, available, swap = (it.value for it in chip.read(1.0))
    assert (busy, available, swap) == (pytest.approx(75.0), 600 * 1024.0, 0.0)


def test_guest_time_is_not_counted_twice() -> None:
    assert parse_stat(b"cpu  10 0 0 80 10 0 0 0 5 5\ncpu0 ...") == (90.0, 100.0)


@pytest.mark.parametrize("text", [b"", b"cpu 1 2", b"intr 1 2 3 4 5 6 7", b"cpu a b c d e f"])
def test_a_damaged_stat_is_a_missing_value(tmp_path: Path, text: bytes) -> None:
    tree = Tree(tmp_path)
    tree.write("proc/stat", text)
    reading = ProcChip(tmp_path).read(0.0)[0]
    assert reading.value is None
    assert reading.reason


@given(st.binary(max_size=300))
def test_any_bytes_give_only_whole_amounts(text: bytes) -> None:
    assert all(amount >= 0 for amount in parse_meminfo(text).values())


def test_a_tree_without_proc_is_absent_with_its_reason(tmp_path: Path) -> None:
    found = SystemSource().discover(tmp_path)
    assert found.chips == ()
    assert {it.absent_reason for it in found.absent} == {"the tree given as root has no /proc/stat"}


def test_the_other_systems_chip_gives_the_same_channels_here() -> None:
    chip = PsutilChip()
    first = chip.read(0.0)
    second = chip.read(1.0)
    assert [it.key for it in chip.channels] == [it.channel for it in second]
    assert first[0].value is None
    assert second[1].value is not None
    assert second[1].value > 0
