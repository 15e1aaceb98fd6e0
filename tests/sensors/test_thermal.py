"""Thermal zones."""

from __future__ import annotations

from pathlib import Path

from harness.sensors.thermal import ThermalSource
from tests.sysfs_trees import Tree


def test_a_zone_is_named_by_its_type_and_read_in_degrees(tmp_path: Path) -> None:
    Tree(tmp_path).thermal(4, "x86_pkg_temp", 48250)
    chip = ThermalSource().discover(tmp_path).chips[0]
    assert chip.channels[0].name == "x86_pkg_temp zone"
    assert chip.read(0.0)[0].value == 48.25


def test_zones_of_one_type_are_told_apart_and_keys_do_not_hold_the_zones_number(
    tmp_path: Path,
) -> None:
    keys = []
    for shift in (0, 5):
        tree = Tree(tmp_path / str(shift))
        tree.thermal(shift, "acpitz", 30000)
        tree.thermal(shift + 1, "acpitz", 31000)
        found = ThermalSource().discover(tree.root)
        keys.append([chip.channels[0].key for chip in found.chips])
    assert keys[0] == keys[1]
    assert len(set(keys[0])) == 2


def test_trip_points_are_claimed_limits(tmp_path: Path) -> None:
    trips = {"trip_point_0_temp": 105000, "trip_point_0_type": "critical"}
    Tree(tmp_path).thermal(0, "acpitz", 30000, trips)
    limit = ThermalSource().discover(tmp_path).limits[0]
    assert (limit.name, limit.value, limit.unit) == ("trip critical", 105.0, "°C")


def test_each_zone_is_a_chip_so_that_a_hung_one_delays_no_other(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    for number in range(3):
        tree.thermal(number, f"zone{number}", 30000)
    assert len(ThermalSource().discover(tmp_path).chips) == 3


def test_no_zone_is_said(tmp_path: Path) -> None:
    absent = ThermalSource().discover(tmp_path).absent[0]
    assert absent.absent_reason == "no thermal zone on this system"
