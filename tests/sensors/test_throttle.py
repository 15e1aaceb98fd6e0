"""Throttle counters: one for each core and package, whatever number of siblings shows them."""

from __future__ import annotations

from pathlib import Path

from harness.sensors.throttle import ThrottleSource
from tests.sysfs_trees import Tree


def _tree(root: Path) -> Tree:
    tree = Tree(root)
    tree.cpus(8, threads_per_core=2, packages=2)
    for cpu in range(8):
        tree.write_all(
            f"sys/devices/system/cpu/cpu{cpu}/thermal_throttle",
            {
                "core_throttle_count": 2,
                "core_throttle_total_time_ms": 1500,
                "package_throttle_count": 5,
            },
        )
    return tree


def test_siblings_and_package_mates_are_counted_once(tmp_path: Path) -> None:
    _tree(tmp_path)
    chip = ThrottleSource().discover(tmp_path).chips[0]
    items = [it.key.rsplit(":", 2)[1] for it in chip.channels]
    assert items.count("core_throttle_count") == 4
    assert items.count("package_throttle_count") == 2


def test_counts_are_counters_and_times_are_in_seconds(tmp_path: Path) -> None:
    _tree(tmp_path)
    chip = ThrottleSource().discover(tmp_path).chips[0]
    values = {it.channel: it.value for it in chip.read(0.0)}
    times = [it for it in chip.channels if it.unit == "s"]
    assert all(values[it.key] == 1.5 and not it.counter for it in times)
    assert all(it.counter for it in chip.channels if it.unit == "count")


def test_a_processor_that_counts_nothing_is_said(tmp_path: Path) -> None:
    Tree(tmp_path).cpus(2)
    absent = ThrottleSource().discover(tmp_path).absent[0]
    assert "counts no throttling" in absent.absent_reason


def test_cores_of_the_same_number_on_two_dies_are_two_cores(tmp_path: Path) -> None:
    tree = _tree(tmp_path)
    for cpu in range(8):
        folder = f"sys/devices/system/cpu/cpu{cpu}/topology"
        die, core = divmod(cpu // 2, 2)
        tree.write_all(folder, {"physical_package_id": 0, "die_id": die, "core_id": core})
    names = {it.name for it in ThrottleSource().discover(tmp_path).chips[0].channels}
    counted = {it for it in names if "time" not in it}
    cores = {it for it in counted if it.startswith("core")}
    assert cores == {
        "core 0, package 0 throttled",
        "core 1, package 0 throttled",
        "core 0, die 1, package 0 throttled",
        "core 1, die 1, package 0 throttled",
    }
    assert {"package 0 throttled", "die 1, package 0 throttled"} <= names
