"""Energy counters: unwrapping by zone, derived power, the permission hint."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors import files
from harness.sensors.powercap import EnergyCounter, PowercapSource
from tests.sysfs_trees import Tree


@given(
    st.integers(10**9, 10**12),
    st.lists(st.integers(0, 10**8), min_size=1, max_size=40),
    st.integers(0, 10**12),
)
def test_a_wrapping_counter_gives_the_energy_that_was_put_in(
    range_uj: int, steps: list[int], start: int
) -> None:
    counter = EnergyCounter(range_uj)
    energy = start
    counter.feed(energy % (range_uj + 1), 0.0)
    for turn, step in enumerate(steps, 1):
        energy += step
        watts, why = counter.feed(energy % (range_uj + 1), turn * 0.1)
        assert (watts, why) == (pytest.approx(step / 1e6 / 0.1), "")
    assert counter.total_uj == sum(steps)


def test_a_gap_that_may_hide_a_second_wrap_gives_no_power() -> None:
    counter = EnergyCounter(60_000_000)  # 60 J: wraps every 30 ms at 2 kW
    counter.feed(0, 0.0)
    watts, why = counter.feed(1_000_000, 5.0)
    assert watts is None
    assert "wrapped twice" in why


def test_a_fall_without_a_known_range_is_a_new_beginning() -> None:
    counter = EnergyCounter(0)
    counter.feed(5_000_000, 0.0)
    assert counter.feed(1_000_000, 1.0) == (
        None,
        "the counter fell and its driver names no range: it began anew",
    )
    assert counter.feed(3_000_000, 2.0) == (2.0, "")


def test_a_counter_that_begins_anew_is_no_wrap_and_its_energy_is_not_made_up() -> None:
    counter = EnergyCounter(262_143_328_850)
    counter.feed(200_000_000_000, 0.0)
    counter.feed(200_006_500_000, 0.1)
    watts, why = counter.feed(0, 0.2)
    assert watts is None
    assert "began anew" in why
    assert counter.feed(6_500_000, 0.3) == (pytest.approx(65.0), "")
    assert counter.total_uj == 13_000_000


def test_a_second_reading_at_once_gives_the_same_mean_again() -> None:
    counter = EnergyCounter(10**12)
    counter.feed(0, 0.0)
    assert counter.feed(50_000_000, 1.0)[0] == 50.0
    assert counter.feed(50_001_000, 1.0001)[0] == 50.0
    assert counter.feed(150_000_000, 2.0)[0] == pytest.approx(100.0)


def test_zones_have_power_and_energy_each_on_its_own(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    folders = [
        tree.zone("intel-rapl:0", "package-0", 900, 1_000_000_000),
        tree.zone("intel-rapl:0:0", "core", 10, 1_000_000_000),
    ]
    chip = PowercapSource().discover(tmp_path).chips[0]
    chip.read(0.0)
    tree.write(f"{folders[0]}/energy_uj", 20_000_900)
    tree.write(f"{folders[1]}/energy_uj", 5_000_010)
    names = {it.key: it.name for it in chip.channels}
    values = {names[it.channel]: it.value for it in chip.read(0.2)}
    assert values == {
        "package-0 energy": 20.0,
        "package-0 power": 100.0,
        "package-0 core energy": 5.0,
        "package-0 core power": 25.0,
    }


def test_root_only_counters_are_told_with_the_rule_that_opens_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Tree(tmp_path).zone("intel-rapl:0", "package-0", 1, 1_000_000)
    real = os.open

    def refuse(path: str, *rest: int) -> int:
        if str(path).endswith("energy_uj"):
            raise PermissionError(errno.EACCES, "Permission denied")
        return real(path, *rest)

    monkeypatch.setattr(files.os, "open", refuse)
    found = PowercapSource().discover(tmp_path)
    assert "udev rule" in found.hints[0].text
    assert "energy_uj" in found.hints[0].text
    assert found.chips[0].read(0.0)[1].reason == "EACCES: Permission denied"


def test_no_zone_is_said(tmp_path: Path) -> None:
    absent = PowercapSource().discover(tmp_path).absent[0]
    assert (absent.role, absent.absent_reason) == (
        "cpu_power",
        "no energy counter on this system",
    )


def test_zones_that_loop_lead_out_of_the_tree_or_would_block_are_left_out_or_missing(
    tmp_path: Path,
) -> None:
    tree = Tree(tmp_path / "root")
    folder = tree.root / tree.zone("intel-rapl:0", "package-0", 1, 1_000_000)
    (folder / "energy_uj").unlink()
    os.mkfifo(folder / "energy_uj")
    classes = tree.root / "sys/class/powercap"
    (classes / "intel-rapl:1").symlink_to("intel-rapl:2")
    (classes / "intel-rapl:2").symlink_to("intel-rapl:1")
    (tmp_path / "energy_uj").write_text("5")
    (classes / "intel-rapl:3").symlink_to(tmp_path)
    (chip,) = PowercapSource().discover(tree.root).chips
    assert [it.name for it in chip.channels] == ["package-0 energy", "package-0 power"]
    assert {it.reason for it in chip.read(0.0)} == {"EINVAL: not a regular file"}
