"""Whole machines: six styles of board, each with what matters found and what lacks said."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.results import Channel
from harness.sensors.catalogue import Catalogue, CatalogueOptions, discover, is_own_root
from harness.sensors.contract import Reading
from tests.sysfs_trees import BOARDS, desktop_a


def _look(catalogue: Catalogue) -> dict[str, tuple[Channel, Reading]]:
    readings = {it.channel: it for chip in catalogue.chips for it in chip.read(1.0)}
    return {it.name: (it, readings[it.key]) for it in catalogue.channels}


@pytest.mark.parametrize("board", BOARDS)
def test_every_board_has_unique_names_and_keys_and_one_reading_for_each(
    board: str, tmp_path: Path
) -> None:
    catalogue = discover(BOARDS[board](tmp_path).root)
    names = [it.name for it in catalogue.channels]
    keys = [it.key for it in catalogue.channels]
    assert len(set(names)) == len(names)
    assert len(set(keys)) == len(keys)
    assert len(_look(catalogue)) == len(names)
    assert all(it.absent_reason for it in catalogue.absent)
    assert all(it.reason for it in catalogue.channels if it.role)


#: Board to the roles its channels must have, and those it must be said to lack.
_EXPECTED = {
    "server": ({"cpu_temperature", "memory_temperature", "cpu_power", "memory_power",
                "system_power", "fan_speed", "hardware_errors", "heat_alarms"},
               {"core_clock"}),
    "desktop A": ({"cpu_temperature", "board_temperature", "core_voltage", "fan_speed",
                   "core_clock", "cpu_power", "storage_temperature"}, {"hardware_errors"}),
    "desktop B": ({"cpu_temperature", "memory_temperature", "core_voltage", "board_temperature",
                   "core_clock", "throttle_count"}, {"cpu_power"}),
    "laptop": ({"cpu_temperature", "fan_speed", "requested_clock"}, {"cpu_power"}),
    "Arm board": ({"cpu_temperature", "gpu_temperature", "memory_temperature", "fan_speed",
                   "requested_clock"}, {"cpu_power", "throttle_count"}),
    "virtual machine": ({"cpu_load", "available_memory"},
                        {"cpu_temperature", "cpu_power", "core_clock"}),
}  # fmt: skip


@pytest.mark.parametrize("board", BOARDS)
def test_every_board_shows_the_roles_it_can_and_says_which_it_cannot(
    board: str, tmp_path: Path
) -> None:
    catalogue = discover(BOARDS[board](tmp_path).root)
    present, lacking = _EXPECTED[board]
    assert present <= {it.role for it in catalogue.channels}
    assert lacking <= {it.role for it in catalogue.absent}
    assert not lacking & {it.role for it in catalogue.channels}


def test_values_of_a_desktop_are_read_in_their_units(tmp_path: Path) -> None:
    look = _look(discover(desktop_a(tmp_path).root))
    assert look["k10temp Tdie"][1].value == 61.25
    assert look["nct6799 fan1"][1].value == 1350.0
    assert look["CPU 0 clock (counted average)"][1].value == 4.2e9
    assert look["nct6799 CPUTIN"][1].flag.startswith("implausible")
    assert look["k10temp Tctl"][0].role == ""


def test_overrides_and_limits_reach_the_catalogue(tmp_path: Path) -> None:
    options = CatalogueOptions(
        role_overrides={"nct6799 AUXTIN0": "ambient_temperature", "nothing *": "fan_speed"}
    )
    catalogue = discover(desktop_a(tmp_path).root, options)
    assert _look(catalogue)["nct6799 AUXTIN0"][0].role == "ambient_temperature"
    assert any("'nothing *' was not used" in hint.text for hint in catalogue.hints)
    assert any(limit.name == "max" and limit.value == 70.0 for limit in catalogue.limits)


def test_a_tree_made_for_a_test_is_not_mixed_with_this_machines_accelerators(
    tmp_path: Path,
) -> None:
    catalogue = discover(desktop_a(tmp_path).root)
    assert not any(it.source == "nvml" for it in catalogue.everything)
    assert is_own_root(Path("/"))
    assert not is_own_root(tmp_path)


def test_this_machine_is_read_too() -> None:
    catalogue = discover(Path("/"), CatalogueOptions(nvml=False))
    readings = {it.channel: it for chip in catalogue.chips for it in chip.read(1.0)}
    catalogue.close()
    assert set(readings) == {it.key for it in catalogue.channels}
    memory = next(it for it in catalogue.channels if it.role == "available_memory")
    value = readings[memory.key].value
    assert value is not None
    assert value > 0
