"""`rigproof sensors` and `rigproof machine`, as somebody types them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from harness.cli import sensing
from harness.errors import UsageError
from harness.sensors import readout
from tests.sysfs_trees import BOARDS, desktop_a, desktop_b, laptop

app = typer.Typer(pretty_exceptions_enable=False)
app.command("sensors")(sensing.sensors)
app.command("machine")(sensing.machine)


@pytest.fixture(autouse=True)
def _short_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two readings need some time between them, but not as much as people have."""
    monkeypatch.setattr(readout, "_PAUSE_SECONDS", 0.02)


def _run(*arguments: str) -> str:
    result = CliRunner().invoke(app, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def _json(*arguments: str) -> Any:
    return json.loads(_run(*arguments, "--json"))


@pytest.mark.parametrize("board", BOARDS)
def test_both_commands_read_every_board_as_text_and_as_one_json_document(
    board: str, tmp_path: Path
) -> None:
    root = ["--sysfs-root", str(BOARDS[board](tmp_path).root)]
    document = _json("sensors", *root)
    assert {it["source"] for it in document["channels"]} >= {"hwmon", "system"}
    for item in document["channels"]:
        assert item["value"] is not None or item["reason"]
    text = _run("sensors", *root)
    assert "unproven on bare metal" in text
    facts = _json("machine", *root)["facts"]
    assert facts["memory"]["total_bytes"] == 32 * 2**30
    assert "identity" in _run("machine", *root)


def test_sensors_shows_value_role_reason_limits_and_read_time(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    text = _run("sensors", "--sysfs-root", str(tree.root))
    (row,) = [line for line in text.splitlines() if line.startswith("k10temp Tdie")]
    assert "61.2 °C" in row
    assert "cpu_temperature" in row
    assert "die temperature (k10temp.rst)" in row
    assert "max 70.0 °C" in text
    assert "claimed by the driver, unreviewed" in text
    assert "127.0 °C (doubtful)" in text
    document = _json("sensors", "--sysfs-root", str(tree.root))
    tctl = next(it for it in document["channels"] if it["name"] == "k10temp Tctl")
    assert tctl["limits"] == [{"name": "max", "value": 70.0, "unit": "°C", "reviewed": False}]
    assert tctl["role"] is None
    assert "offset" in tctl["role_reason"]
    assert tctl["read_seconds"] > 0


def test_an_absent_channel_is_null_with_its_reason(tmp_path: Path) -> None:
    document = _json("sensors", "--sysfs-root", str(laptop(tmp_path).root))
    power = next(it for it in document["channels"] if it["role"] == "cpu_power")
    assert (power["present"], power["value"]) == (False, None)
    assert power["reason"] == "no energy counter on this system"


def test_clocks_of_two_sources_are_compared(tmp_path: Path) -> None:
    document = _json("sensors", "--sysfs-root", str(desktop_b(tmp_path).root))
    stated = {it["cpu"]: it["stated_hz"] for it in document["clocks"]}
    assert stated.get(0) == 4.9e9


def test_warnings_of_the_machine_are_shown_with_remedies(tmp_path: Path) -> None:
    root = str(laptop(tmp_path).root)
    names = {it["name"] for it in _json("machine", "--sysfs-root", root)["warnings"]}
    assert {"on battery", "powersave governor"} <= names
    assert "connect mains power" in _run("machine", "--sysfs-root", root)


def test_hostile_names_do_not_reach_the_terminal(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    tree.write("sys/devices/platform/nct6775.656/hwmon/hwmon1/fan1_label", "\x1b]0;owned\x07[red]x")
    tree.dmi({"board_name": "\x1b[2J[bold]Board"})
    for command in ("sensors", "machine"):
        text = _run(command, "--sysfs-root", str(tree.root))
        assert "\x1b" not in text
        assert "\x07" not in text
    assert "[red]x" in _run("sensors", "--sysfs-root", str(tree.root))


def test_a_root_that_is_no_folder_is_refused_with_a_remedy(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no folder: give one that holds sys and proc"):
        sensing.existing_root(tmp_path / "nowhere")


def test_a_profiles_roles_are_used_when_it_is_named(tmp_path: Path) -> None:
    profile = tmp_path / "p.yaml"
    profile.write_text(
        "format: 1\nname: roles\nloads:\n  - workload: matmul-fp64\n    trials: 5\n"
        "sampling:\n  roles:\n    'nct6799 AUXTIN0': ambient_temperature\n"
    )
    root = str(desktop_a(tmp_path / "root").root)
    document = _json("sensors", "--sysfs-root", root, "--profile", str(profile))
    auxiliary = next(it for it in document["channels"] if it["name"] == "nct6799 AUXTIN0")
    assert (auxiliary["role"], auxiliary["role_reason"]) == (
        "ambient_temperature",
        "the profile says so",
    )
