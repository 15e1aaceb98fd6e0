"""Monitoring chips, against trees laid out as the kernel's ABI documents say."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pytest

from harness.sensors import files
from harness.sensors.contract import Discovery, Reading
from harness.sensors.hwmon import HwmonSource
from harness.sweeps import left_out
from tests.sysfs_trees import Tree, desktop_a


def _discover(tree: Tree) -> Discovery:
    return HwmonSource().discover(tree.root)


def _values(found: Discovery, now: float = 1.0) -> dict[str, Reading]:
    names = {it.key: it.name for chip in found.chips for it in chip.channels}
    return {names[it.channel]: it for chip in found.chips for it in chip.read(now)}


def test_every_type_is_read_in_its_unit(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.hwmon(
        0,
        "platform/all.0",
        "all",
        {
            "in0_input": 1256,
            "temp1_input": 45500,
            "fan1_input": 1350,
            "curr1_input": 12500,
            "power1_input": 65_500_000,
            "power1_average": 64_000_000,
            "energy1_input": 5_000_000,
            "humidity1_input": 45_300,
            "freq1_input": 2_400_000_000,
            "pwm1": 128,
            "cpu0_vid": 1250,
        },
    )
    found = _discover(tree)
    units = {it.name: it.unit for chip in found.chips for it in chip.channels}
    got = {name: (it.value, units[name]) for name, it in _values(found).items()}
    assert got == {
        "all in0": (1.256, "V"),
        "all temp1": (45.5, "°C"),
        "all fan1": (1350.0, "RPM"),
        "all curr1": (12.5, "A"),
        "all power1": (65.5, "W"),
        "all power1 average": (64.0, "W"),
        "all energy1": (5.0, "J"),
        "all humidity1": (45.3, "%"),
        "all freq1": (2.4e9, "Hz"),
        "all pwm1": (128.0, "of 255"),
        "all cpu0 vid": (1.25, "V"),
    }


def test_keys_stay_when_the_kernel_numbers_its_chips_in_another_order(tmp_path: Path) -> None:
    keys = []
    for order in ((0, 1), (1, 0)):
        tree = Tree(tmp_path / str(order[0]))
        tree.hwmon(order[0], "platform/coretemp.0", "coretemp",
                   {"temp1_input": 1000, "temp1_label": "Package id 0"})  # fmt: skip
        tree.hwmon(order[1], "platform/nct6775.656", "nct6799", {"temp1_input": 1000})
        keys.append({it.key for chip in _discover(tree).chips for it in chip.channels})
    assert keys[0] == keys[1]
    assert len(keys[0]) == 2


def test_two_chips_of_one_name_are_told_apart_by_their_device(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    for slot in range(2):
        tree.hwmon(slot, f"pci0000:00/i2c-0/0-005{slot}", "spd5118", {"temp1_input": 40_000 + slot})
    found = _discover(tree)
    assert len({it.key for chip in found.chips for it in chip.channels}) == 2


def test_a_fault_flag_and_a_switched_off_channel_give_no_value(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = Tree(tmp_path)
    folder = tree.hwmon(
        0,
        "platform/chip.0",
        "chip",
        {"temp1_input": 45000, "temp1_fault": 1, "temp2_input": 45000, "temp2_enable": 0},
    )
    found = _discover(tree)
    off = str(tmp_path / folder / "temp2_input")
    real = os.open

    def open_(path: str, *rest: int) -> int:
        if str(path) == off:
            raise OSError(errno.ENODATA, "No data available")
        return real(path, *rest)

    monkeypatch.setattr(files.os, "open", open_)
    values = _values(found)
    assert "fault" in values["chip temp1"].reason
    assert values["chip temp2"].reason == (
        "ENODATA: No data available: switched off (temp2_enable is 0)"
    )


def test_limits_are_passed_on_as_the_driver_claims_them(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.hwmon(0, "platform/a.0", "k10temp",
               {"temp1_input": 45000, "temp1_max": 70000, "temp1_crit": 95000})  # fmt: skip
    claimed = {(it.name, it.value, it.unit) for it in _discover(tree).limits}
    assert claimed == {("max", 70.0, "°C"), ("crit", 95.0, "°C")}


def test_a_floating_input_is_flagged_and_kept(tmp_path: Path) -> None:
    values = _values(_discover(desktop_a(tmp_path)))
    assert values["nct6799 CPUTIN"].value == 127.0
    assert left_out(values["nct6799 CPUTIN"].flag)


def test_a_chip_that_vanishes_is_found_again_under_another_number(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    folder = tree.hwmon(3, "platform/nct6775.656", "nct6799", {"temp1_input": 38000})
    found = _discover(tree)
    assert _values(found, 1.0)["nct6799 temp1"].value == 38.0
    (tmp_path / folder / "temp1_input").write_bytes(b"")  # what a removed attribute reads as
    shutil.rmtree(tmp_path / folder)
    (tmp_path / "sys/class/hwmon/hwmon3").unlink()
    assert _values(found, 4.0)["nct6799 temp1"].reason.startswith(("ENOENT", "empty read"))
    tree.hwmon(7, "platform/nct6775.656", "nct6799", {"temp1_input": 39000})
    assert _values(found, 7.0)["nct6799 temp1"].value == 39.0


def test_a_machine_without_chips_says_so(tmp_path: Path) -> None:
    found = _discover(Tree(tmp_path))
    assert found.chips == ()
    assert found.absent[0].role == "cpu_temperature"
    assert "no /sys" in found.absent[0].absent_reason
    (tmp_path / "sys").mkdir()
    assert "no driver gives sensors" in _discover(Tree(tmp_path)).absent[0].absent_reason


def test_drives_are_read_seldom_because_a_read_costs_them_a_command(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.hwmon(0, "pci0000:00/nvme/nvme0", "nvme", {"temp1_input": 40000})
    assert _discover(tree).chips[0].period_seconds >= 5


def test_chips_that_register_the_old_way_are_read_from_their_device(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.write_all("sys/devices/platform/old.0", {"name": "old", "temp1_input": 42000})
    (tmp_path / "sys/devices/platform/old.0/hwmon/hwmon0").mkdir(parents=True)
    tree.link("sys/devices/platform/old.0/hwmon/hwmon0/device", "sys/devices/platform/old.0")
    tree.link("sys/class/hwmon/hwmon0", "sys/devices/platform/old.0/hwmon/hwmon0")
    assert _values(_discover(tree))["old temp1"].value == 42.0


def _boot(root: Path, bus: int, drive: int, host: int, toy: str) -> set[str]:
    """The keys of one boot, in which the kernel has counted its devices in its own order."""
    tree = Tree(root)
    smbus = "pci0000:00/0000:00:14.0"
    for port in range(2):
        number = bus + port
        tree.write(f"sys/devices/{smbus}/i2c-{number}/name", f"SMBus adapter port {port}")
        device = f"{smbus}/i2c-{number}/{number}-0050"
        tree.hwmon(port, device, "spd5118", {"temp1_input": 40_000})
    pci = "pci0000:00/0000:00:01.1/0000:01:00.0"
    tree.hwmon(2, f"{pci}/nvme/nvme{drive}", "nvme", {"temp1_input": 40_000})
    disk = f"pci0000:00/0000:00:17.0/ata2/host{host}/target{host}:0:0/{host}:0:0:0"
    tree.hwmon(3, disk, "drivetemp", {"temp1_input": 40_000})
    usb = f"pci0000:00/0000:00:08.0/usb1/1-4/1-4:1.0/0003:1B1C:0C10.{toy}"
    tree.hwmon(4, usb, "pump", {"fan1_input": 900})
    zone = f"virtual/thermal/thermal_zone{drive}"
    tree.hwmon(5, zone, "soc_thermal", {"temp1_input": 40_000})
    channels = [it for chip in _discover(tree).chips for it in chip.channels]
    assert len(channels) == len({it.key for it in channels}) == 6
    return {it.key for it in channels}


def test_buses_drives_hosts_and_zones_counted_in_another_order_keep_their_keys(
    tmp_path: Path,
) -> None:
    first = _boot(tmp_path / "a", bus=0, drive=0, host=1, toy="0002")
    second = _boot(tmp_path / "b", bus=7, drive=1, host=4, toy="000A")
    assert first == second
    assert any("SMBus adapter port 1" in key for key in first)


def test_what_only_root_may_read_is_told_with_the_rule_that_opens_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = Tree(tmp_path)
    tree.hwmon(0, "platform/p.0", "meter", {"power1_average": 9, "power2_average": 9,
               "temp1_input": 40_000})  # fmt: skip
    assert _discover(tree).hints == ()
    real = os.access

    def refuse(path: Path, mode: int) -> bool:
        return "power" not in path.name and real(path, mode)

    monkeypatch.setattr(os, "access", refuse)
    (hint,) = _discover(tree).hints
    assert "power1_average and 1 more of meter may be read by root only" in hint.text
    assert 'chmod 0440 /sys%p/power1_average"' in hint.text
