"""Trees that no driver would make: clear answers, bounded time and memory, no crash."""

from __future__ import annotations

import os
import sys
import tracemalloc
from pathlib import Path

import pytest

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.machine.facts import collect_facts
from harness.machine.warnings import pre_run_warnings
from harness.sensors.catalogue import MOST_CHANNELS, discover
from harness.sensors.contract import Reading
from harness.sensors.readout import read_once
from tests.sysfs_trees import Tree, desktop_a

#: Generous: the point is that nothing blocks for ever, not how fast it is.
_BOUND_SECONDS = 60.0


def _read_all(root: Path) -> dict[str, Reading]:
    """Discover and read everything below `root`; asserts that it comes to an end."""
    began_ns = SYSTEM.monotonic_ns()
    catalogue = discover(root)
    names = {it.key: it.name for it in catalogue.channels}
    found = {names[it.channel]: it for out in read_once(catalogue.chips) for it in out.readings}
    assert SYSTEM.monotonic_ns() - began_ns < _BOUND_SECONDS * NS_PER_SECOND
    assert all(it.value is not None or it.reason for it in found.values())
    return found


def test_links_that_loop_or_leave_the_tree_are_named_and_the_rest_is_read(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path / "root")
    classes = tree.root / "sys/class/hwmon"
    (classes / "hwmon8").symlink_to("hwmon9")
    (classes / "hwmon9").symlink_to("hwmon8")
    (tmp_path / "outside").mkdir()
    (classes / "hwmon7").symlink_to(tmp_path / "outside")
    catalogue = discover(tree.root)
    gone = {it.name: it.absent_reason for it in catalogue.absent}
    assert all("loop or leads out" in gone[f"hwmon{number}"] for number in (7, 8, 9))
    assert any(it.role == "cpu_temperature" for it in catalogue.channels)


def test_fifos_folders_and_sockets_in_place_of_values_do_not_block(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    folder = tmp_path / tree.hwmon(0, "platform/x.0", "x", {"temp4_input": 40000})
    os.mkfifo(folder / "temp1_input")
    (folder / "temp2_input").mkdir()
    (folder / "temp3_input").symlink_to("/dev/zero")
    os.mkfifo(folder / "temp4_label")
    found = _read_all(tmp_path)
    assert found["x temp1"].reason.startswith("EINVAL")
    assert found["x temp2"].value is None
    assert found["x temp3"].reason.startswith("ELOOP")
    assert found["x temp4"].value == 40.0


@pytest.mark.parametrize(
    "content",
    [b"\xff\xfe\x00", b"nan\n", b"inf", b"-", b"1e5", b"\x1b[2J42", b" ", b"9" * 5000, b"0x1f"],
)
def test_content_that_is_no_whole_number_is_missing_with_a_printable_reason(
    tmp_path: Path, content: bytes
) -> None:
    tree = Tree(tmp_path)
    tree.hwmon(0, "platform/x.0", "x", {"temp1_input": content})  # type: ignore[dict-item]
    reading = _read_all(tmp_path)["x temp1"]
    assert reading.value is None
    assert reading.reason.isprintable()


def test_negative_and_enormous_numbers_are_kept_and_flagged_where_they_cannot_be_true(
    tmp_path: Path,
) -> None:
    tree = Tree(tmp_path)
    tree.hwmon(
        0,
        "platform/x.0",
        "x",
        {"temp1_input": -40000, "temp2_input": -400000, "fan1_input": -1, "in0_input": 10**18},
    )
    found = _read_all(tmp_path)
    assert (found["x temp1"].value, found["x temp1"].flag) == (-40.0, "")
    for name in ("x temp2", "x fan1", "x in0"):
        assert found[name].value is not None
        assert found[name].flag.startswith("implausible")


def test_names_and_labels_with_control_characters_are_made_visible(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.hwmon(0, "platform/x.0", "evil\x1b]0;title\x07", {"temp1_input": 1000,
               "temp1_label": "a\rb\u202ec"})  # fmt: skip
    tree.write("sys/devices/platform/x.0/hwmon/hwmon0/temp2_label", b"\xff\xfe\x80")
    tree.write("sys/devices/platform/x.0/hwmon/hwmon0/temp2_input", 2000)
    for name, reading in _read_all(tmp_path).items():
        assert name.isprintable()
        assert reading.channel.isprintable()


def test_huge_files_cost_no_memory(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    huge = [
        "sys/devices/platform/nct6775.656/hwmon/hwmon1/temp1_label",
        "sys/devices/platform/nct6775.656/hwmon/hwmon1/in1_input",
        "proc/meminfo",
        "proc/cpuinfo",
        "proc/stat",
        "proc/pressure/cpu",
        "sys/devices/system/cpu/online",
        "sys/firmware/dmi/tables/DMI",
    ]
    for path in huge:
        file = tree.write(path, b"")
        with file.open("wb") as opened:
            opened.truncate(1 << 33)
    collect_facts(tmp_path)  # loads what it imports before memory is watched
    tracemalloc.start()
    _read_all(tmp_path)
    collect_facts(tmp_path)
    _, highest = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert highest < 64 * 2**20


def test_ten_thousand_channels_are_bounded_and_the_rest_is_said(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    folder = tmp_path / tree.hwmon(0, "platform/many.0", "many", {})
    for number in range(10_000):
        (folder / f"temp{number}_input").write_bytes(b"41000\n")
    began_ns = SYSTEM.monotonic_ns()
    catalogue = discover(tmp_path)
    assert SYSTEM.monotonic_ns() - began_ns < _BOUND_SECONDS * NS_PER_SECOND
    assert 0 < len(catalogue.channels) <= MOST_CHANNELS
    assert any("10000" in it.absent_reason for it in catalogue.absent)


def test_many_chips_are_bounded_and_the_rest_is_said(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    for number in range(300):
        tree.hwmon(number, f"platform/chip.{number}", "chip", {"temp1_input": 41000})
    catalogue = discover(tmp_path)
    assert any("300 chips listed" in it.absent_reason for it in catalogue.absent)
    assert len([it for it in catalogue.channels if it.source == "hwmon"]) == 256


def test_files_that_may_not_be_read_are_missing_with_their_errno(tmp_path: Path) -> None:
    """Root may read everything, so the driver's own refusal stands in for it there."""
    tree = Tree(tmp_path)
    folder = tmp_path / tree.hwmon(0, "platform/x.0", "x", {"temp1_input": 41000})
    (folder / "temp1_input").chmod(0)
    reading = _read_all(tmp_path)["x temp1"]
    if os.geteuid() == 0:
        assert reading.value == 41.0
    else:
        assert reading.reason.startswith("EACCES")


def test_lists_of_cpus_that_are_damaged_do_not_grow(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.cpus(2)
    tree.write("sys/devices/system/cpu/online", "0-99999999999")
    tree.write("sys/devices/system/cpu/cpu0/topology/thread_siblings_list", "4-1,x,,-")
    facts = collect_facts(tmp_path)
    assert facts["topology"]["threads"] == 2
    assert sys.getsizeof(str(facts)) < 1 << 20


def test_numbers_of_hundreds_of_digits_end_neither_discovery_nor_facts_nor_warnings(
    tmp_path: Path,
) -> None:
    """Wherever a tree states a number: trip points, clocks, limits, ranges, a group's quota."""
    tree, huge = Tree(tmp_path), "9" * 400
    tree.hwmon(0, "platform/x.0", "x", {"temp1_input": 40_000, "temp1_max": huge})
    zone = "sys/class/thermal/thermal_zone0"
    for name, text in {"type": "cpu", "temp": "50000", "trip_point_0_temp": huge}.items():
        tree.write(f"{zone}/{name}", text)
    policy = "sys/devices/system/cpu/cpufreq/policy0"
    for name, text in {"scaling_cur_freq": "1000000", "cpuinfo_max_freq": huge}.items():
        tree.write(f"{policy}/{name}", text)
    tree.write(f"{policy.removesuffix('0')}{'9' * 200}/scaling_cur_freq", "1000000")
    tree.write("sys/fs/cgroup/cpu.max", f"{huge} 1")
    for name, text in {"name": "package-0", "energy_uj": huge, "max_energy_range_uj": huge}.items():
        tree.write(f"sys/class/powercap/intel-rapl:0/{name}", text)
    found = _read_all(tmp_path)
    assert found["x temp1"].value == 40.0
    assert found["cpu zone"].value == 50.0
    assert [it.value for name, it in found.items() if "clock" in name] == [1e9]
    facts = collect_facts(tmp_path)
    assert facts["container"]["cpu_quota_cpus"] is None
    assert isinstance(pre_run_warnings(tmp_path, busy=lambda: 0.0), tuple)
