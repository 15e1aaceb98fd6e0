"""Machine-check rows and memory error counts."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors.contract import Chip, TellingChip
from harness.sensors.hardware_errors import (
    HardwareErrorsSource,
    error_poll_seconds,
    memory_count,
    parse_rows,
)
from tests.sysfs_trees import Tree, server


def _chip(root: Path, name: str) -> Chip:
    return next(it for it in HardwareErrorsSource().discover(root).chips if it.name == name)


def test_rows_are_summed_over_the_cpus_and_text_behind_them_is_left_out() -> None:
    table = b"     CPU0 CPU1\n 24:  7 8 IO-APIC x\nMCE:  1  2   Machine check exceptions\nERR: 3\n"
    rows = parse_rows(table)
    assert list(rows) == ["MCE"]
    assert rows["MCE"].total == 3


@given(st.binary(max_size=400))
def test_any_bytes_are_a_table(table: bytes) -> None:
    assert all(row.total >= 0 for row in parse_rows(table).values())


def test_a_rising_row_tells_which_cpu_it_met(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.write("proc/interrupts", b"   CPU0  CPU2\nMCE: 0 0 Machine check\nMCP: 5 5 Polls\n")
    chip = _chip(tmp_path, "machine-check interrupts")
    assert isinstance(chip, TellingChip)
    assert [it.value for it in chip.read(0.0)] == [0.0, 10.0]
    assert chip.take_incidents() == []
    tree.write("proc/interrupts", b"   CPU0  CPU2\nMCE: 0 7 Machine check\nMCP: 6 6 Polls\n")
    assert [it.value for it in chip.read(1.0)] == [7.0, 12.0]
    told = chip.take_incidents()
    found = [(it.cpu, it.at_seconds, it.increase) for it in told]
    assert found == [(2, 1.0, 7)]  # the polls are no errors


def test_controllers_and_modules_are_counted_by_name(tmp_path: Path) -> None:
    chip = _chip(server(tmp_path).root, "memory controllers")
    names = [it.name for it in chip.channels]
    assert "memory module CPU1_DIMM_A1 corrected errors" in names
    assert all(it.counter for it in chip.channels)
    assert [it.value for it in chip.read(0.0)] == [3.0, 0.0, 3.0, 0.0] * 2


def test_controllers_are_told_from_their_modules_by_their_keys(tmp_path: Path) -> None:
    found = HardwareErrorsSource().discover(server(tmp_path).root)
    counts = {
        (count.controller, count.item, count.of_module)
        for chip in found.chips
        for channel in chip.channels
        if (count := memory_count(channel.key)) is not None
    }
    assert counts == {
        (f"mc{number}", item, of_module)
        for number in (0, 1)
        for item in ("ce_count", "ue_count")
        for of_module in (False, True)
    }


@pytest.mark.parametrize(
    "key", ["", "mill", "hardware errors::interrupts:MCE:", "nvml:mc0:x:ce_count:", "a:b"]
)
def test_other_channels_count_no_memory_errors(key: str) -> None:
    assert memory_count(key) is None


def test_no_controller_means_unknown_not_zero(tmp_path: Path) -> None:
    found = HardwareErrorsSource().discover(tmp_path)
    assert "unknown, not zero" in found.absent[0].absent_reason
    assert found.chips == ()


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("300", 300.0), ("12c", 300.0), ("0", None), ("", None), ("zz", None), ("99999999", None)],
)
def test_the_polling_interval_is_read_in_either_form(
    tmp_path: Path, text: str, seconds: float | None
) -> None:
    Tree(tmp_path).write("sys/devices/system/machinecheck/machinecheck0/check_interval", text)
    assert error_poll_seconds(tmp_path) == seconds


def test_an_unknown_polling_interval_is_none(tmp_path: Path) -> None:
    assert error_poll_seconds(tmp_path) is None
