"""What a careful person would point out before a run."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from harness.machine import warnings as module
from harness.machine.warnings import busy_cpus, pre_run_warnings
from tests.sysfs_trees import Tree, arm_board, desktop_a, desktop_b, laptop, virtual_machine


def _names(root: Path, **options: object) -> set[str]:
    busy = options.pop("busy", 0.0)
    found = pre_run_warnings(root, busy=lambda: busy, **options)  # type: ignore[arg-type, return-value]
    assert all(it.text and it.remedy for it in found)
    return {it.name for it in found}


def test_a_quiet_desktop_at_full_speed_gives_no_warning(tmp_path: Path) -> None:
    assert _names(desktop_a(tmp_path).root, cpus=tuple(range(16))) == set()


def test_a_laptop_on_its_battery_is_warned_of(tmp_path: Path) -> None:
    tree = laptop(tmp_path)
    assert _names(tree.root) == {"on battery", "powersave governor"}
    tree.write("sys/class/power_supply/AC/online", 1)
    assert _names(tree.root) == {"powersave governor"}


def test_the_battery_of_a_mouse_is_none_of_our_business(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    tree.write_all(
        "sys/class/power_supply/hid-mouse",
        {"type": "Battery", "status": "Discharging", "scope": "Device"},
    )
    assert "on battery" not in _names(tree.root)


def test_a_driver_that_governs_itself_is_judged_by_its_preference(tmp_path: Path) -> None:
    assert "powersave governor" not in _names(desktop_b(tmp_path).root)


def test_throttling_before_the_run_is_warned_of(tmp_path: Path) -> None:
    assert _names(desktop_b(tmp_path).root) == {"throttled already"}


def test_a_virtual_machine_is_warned_of_by_name(tmp_path: Path) -> None:
    root = virtual_machine(tmp_path).root
    assert _names(root) == {"virtual machine"}
    (warning,) = pre_run_warnings(root, busy=lambda: None)
    assert "A Cloud Virtual Machine" in warning.text


def test_a_guest_whose_processor_has_no_flag_is_warned_of(tmp_path: Path) -> None:
    tree = arm_board(tmp_path)
    assert "virtual machine" not in _names(tree.root)
    tree.dmi({"sys_vendor": "QEMU", "product_name": "KVM Virtual Machine"})
    assert "virtual machine" in _names(tree.root)


def test_a_virtual_machine_without_a_name_is_warned_of_without_one(tmp_path: Path) -> None:
    tree = virtual_machine(tmp_path)
    tree.dmi({"sys_vendor": "", "product_name": ""})
    (warning,) = pre_run_warnings(tree.root, busy=lambda: None)
    assert warning.text.startswith("this is a virtual machine: its speed")


@pytest.mark.parametrize(("cpus", "warned"), [(1.4, True), (0.02, False), (None, False)])
def test_other_processes_are_warned_of_when_they_use_a_core(
    tmp_path: Path, cpus: float | None, warned: bool
) -> None:
    root = desktop_a(tmp_path).root
    assert ("other processes busy" in _names(root, busy=cpus)) is warned


def test_fewer_cpus_than_the_machine_has_are_warned_of(tmp_path: Path) -> None:
    root = desktop_a(tmp_path).root
    assert _names(root, cpus=(0, 1)) == {"fewer CPUs than the machine has"}
    assert _names(root, cpus=()) == set()


def test_a_limit_on_cpu_time_is_warned_of(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    tree.write("sys/fs/cgroup/cpu.max", "150000 100000")
    (warning,) = pre_run_warnings(tree.root, busy=lambda: 0.0)
    assert "the time of 1.5 CPUs" in warning.text


def test_low_disk_is_looked_at_where_the_record_will_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = desktop_a(tmp_path).root
    looked: list[Path] = []

    class Usage:
        free = 5 * 2**20

    def usage(path: Path) -> Usage:
        looked.append(path)
        return Usage()

    monkeypatch.setattr(shutil, "disk_usage", usage)
    assert _names(root, storage=tmp_path / "not" / "yet" / "there") == {"low disk"}
    assert looked == [tmp_path]


@pytest.mark.parametrize(("state", "warned"), [(False, True), (True, False), (None, False)])
def test_a_clock_that_is_not_synchronised_is_warned_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, state: bool | None, warned: bool
) -> None:
    monkeypatch.setattr(module, "clock_is_synchronised", lambda root: state)
    assert ("clock not synchronised" in _names(desktop_a(tmp_path).root)) is warned


def test_busy_cpus_are_measured_here_and_unknown_for_a_still_tree(tmp_path: Path) -> None:
    here = busy_cpus(Path("/"))
    assert here is None or 0 <= here <= (os.cpu_count() or 1)
    assert busy_cpus(desktop_a(tmp_path).root) is None
    assert busy_cpus(Tree(tmp_path / "empty").root) is None


def test_cpus_that_are_switched_off_are_warned_of_by_number(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    tree.write("sys/devices/system/cpu/present", "0-19")
    (warning,) = pre_run_warnings(tree.root, busy=lambda: 0.0)
    assert warning.name == "CPUs offline"
    assert "4 CPUs of the machine are switched off (16-19)" in warning.text
    tree.write("sys/devices/system/cpu/present", "x-")
    assert _names(tree.root) == set()
