"""`sensors` and `machine` on terminals and pipes: whole words, marked doubts, searchable lines."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.cli.sensing import machine, sensors
from harness.cli.sensing_tables import show_machine, show_sensors
from tests.cli.terminals import screen
from tests.sysfs_trees import arm_board, desktop_a, laptop, virtual_machine


def channel(name: str, **changes: object) -> dict[str, object]:
    return {
        "key": f"hwmon:place:chip:{name}:",
        "name": name,
        "unit": "°C",
        "source": "hwmon",
        "role": None,
        "role_reason": None,
        "cpu": None,
        "counter": False,
        "present": True,
        "value": 41.5,
        "reason": None,
        "flag": None,
        "read_seconds": 1e-4,
        "limits": [],
        **changes,
    }


def document(*channels: dict[str, object]) -> dict[str, object]:
    return {"channels": list(channels), "hints": [], "clocks": [], "unproven": "nothing"}


@pytest.mark.parametrize("width", [48, 80])
def test_a_narrow_terminal_gets_a_block_a_chip_and_no_broken_role(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, width: int
) -> None:
    shown = screen(monkeypatch, width)
    sensors(root=desktop_a(tmp_path).root)
    assert max(map(len, shown.lines)) <= width
    assert "hwmon nct6799  read in" in shown.text
    words = {word for line in shown.lines for word in line.split()}
    assert {"cpu_temperature", "storage_temperature", "available_memory"} <= words


def test_what_channels_in_a_row_share_is_told_once_under_them(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    shown = screen(monkeypatch, 80)
    sensors(root=desktop_a(tmp_path).root)
    assert shown.text.count("counted by the processor") == 1
    assert sum("(counted average)" in line for line in shown.lines if "core_clock" in line) == 16


def test_a_wide_terminal_gets_a_table(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    shown = screen(monkeypatch, 200)
    sensors(root=desktop_a(tmp_path).root)
    assert re.split(r"\s{2,}", shown.lines[0].strip())[:3] == ["channel", "now", "role"]
    (row,) = [line for line in shown.lines if line.startswith("k10temp Tdie")]
    assert "61.2 °C" in row
    assert "cpu_temperature" in row


def test_a_pipe_gets_one_line_a_channel_with_its_key(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    shown = screen(monkeypatch, None)
    sensors(root=desktop_a(tmp_path).root)
    (row,) = [line for line in shown.lines if line.startswith("nct6799 in0")]
    assert "input 0 is wired to the core on most boards" in row
    assert "max 1.744 V" in row
    assert row.endswith("hwmon:devices/platform/nct6775.656:nct6799:in0_input:")


@pytest.mark.parametrize("width", [80, 200, None])
def test_a_clock_that_was_asked_for_never_looks_like_one_that_was_measured(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, width: int | None
) -> None:
    shown = screen(monkeypatch, width)
    sensors(root=laptop(tmp_path).root)
    rows = [line for line in shown.lines if line.split("  ")[-1] and "requested_clock" in line]
    assert len(rows) == 4
    assert all("900.0 MHz (requested)" in row for row in rows)


def test_doubtful_values_are_marked_and_explained_and_repeated_ones_are_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shown = screen(monkeypatch, None)
    disturbed = "disturbed: windows differ by 65%"
    show_sensors(
        document(
            channel("quiet"),
            channel("again", flag="repeat"),
            channel("open", value=127.0, flag="implausible: nothing connected"),
            channel("clock", unit="Hz", value=3.5e9, flag=disturbed),
        )
    )
    rows = {line.split()[0]: line for line in shown.lines if line}
    assert "(doubtful)" not in rows["quiet"] + rows["again"]
    assert "127.0 °C (doubtful)" in rows["open"]
    assert "3.500 GHz (doubtful)" in rows["clock"]
    told = shown.text.partition("doubtful:\n")[2]
    assert f"clock: {disturbed}" in told
    assert "again" not in told


def test_memory_is_told_in_the_same_unit_by_both_commands(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    shown = screen(monkeypatch, None)
    root = arm_board(tmp_path).root
    sensors(root=root)
    machine(root=root)
    assert "28.00 GiB" in shown.text
    assert not re.search(r"\d GB", shown.text)


def test_a_system_without_sensors_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = screen(monkeypatch, 80)
    gone = channel("probe", present=False, value=None, reason="no driver", read_seconds=None)
    show_sensors(document(gone))
    assert shown.lines[0] == "no sensor channel can be read here"
    assert "  probe (hwmon): no driver" in shown.lines


@pytest.mark.parametrize("width", [80, None])
def test_a_hypervisor_without_a_name_is_not_known_and_no_limit_is_none(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, width: int | None
) -> None:
    shown = screen(monkeypatch, width)
    tree = virtual_machine(tmp_path)
    tree.dmi({"sys_vendor": "", "product_name": ""})
    machine(root=tree.root)
    told = [" ".join(line.split()) for line in shown.lines]
    assert "kind not known: the hypervisor gives no name" in told
    assert "CPU quota none" in told
    if width:
        assert max(map(len, shown.lines[: shown.lines.index("before a run:")])) <= width


def test_a_name_from_a_driver_cannot_command_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for width in (40, 80, 200, None):
        shown = screen(monkeypatch, width)
        show_sensors(document(channel("bad\x1b]0;title\x07", role_reason="\x9b31m")))
        assert not set(shown.text) & {"\x1b", "\x07", "\x9b"}


def test_a_probed_clock_says_when_a_run_measures_it(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = screen(monkeypatch, None)
    show_sensors(document(channel("quiet")))
    assert "at each trial's start" not in shown.text
    show_sensors(document(channel("CPU 0 clock (measured)", source="clock probe", unit="Hz")))
    assert "measured here and at each trial's start; a run does not sample them" in shown.text


def test_facts_of_the_machine_have_labels_and_abbreviations_in_capitals(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shown = screen(monkeypatch, None)
    facts = {"cpu": {"smt": "on", "numa_balancing": 0}, "allowed_cpus": "0-1"}
    show_machine({"facts": facts, "warnings": []})
    labels = [re.split(r"\s{2,}", line.strip()) for line in shown.lines]
    assert labels == [
        ["CPU"], ["SMT", "on"], ["NUMA balancing", "0"], ["allowed CPUs"], ["all", "0-1"],
    ]  # fmt: skip
