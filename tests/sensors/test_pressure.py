"""Pressure stall information."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors.pressure import PressureSource, parse_totals
from tests.sysfs_trees import Tree

_LINE = "{} avg10=0.00 avg60=0.00 avg300=0.00 total={}"


def _write(tree: Tree, some: int, full: int) -> None:
    for name in ("cpu", "memory", "io"):
        text = f"{_LINE.format('some', some)}\n{_LINE.format('full', full)}"
        tree.write(f"proc/pressure/{name}", text)


def test_shares_come_from_the_totals_in_microseconds(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    _write(tree, 1_000_000, 500_000)
    chip = PressureSource().discover(tmp_path).chips[0]
    assert all(it.value is None for it in chip.read(10.0))
    _write(tree, 1_500_000, 600_000)
    values = [it.value for it in chip.read(12.0)]
    assert values == [pytest.approx(it) for it in (25.0, 25.0, 5.0, 25.0, 5.0)]


def test_the_full_line_of_the_cpu_is_left_out(tmp_path: Path) -> None:
    _write(Tree(tmp_path), 0, 0)
    chip = PressureSource().discover(tmp_path).chips[0]
    assert not any(":cpu:full" in it.key for it in chip.channels)


@given(st.binary(max_size=200))
def test_any_bytes_give_only_whole_totals(text: bytes) -> None:
    assert all(total >= 0 for total in parse_totals(text).values())


def test_a_system_without_it_says_so(tmp_path: Path) -> None:
    assert "keeps no pressure" in PressureSource().discover(tmp_path).absent[0].absent_reason
