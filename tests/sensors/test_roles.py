"""The table of roles, and what a profile may change of it."""

from __future__ import annotations

import pytest

from harness.errors import UsageError
from harness.results import Channel
from harness.sensors.keys import make_key
from harness.sensors.roles import ROLES, RULES, assign_roles


def _channel(driver: str, label: str = "", unit: str = "°C", **more: str) -> Channel:
    source = more.get("source", "hwmon")
    key = make_key(source, more.get("place", "p"), driver, more.get("item", "temp1_input"), label)
    return Channel(key, more.get("name", f"{driver} {label}"), unit, source)


def _role(channel: Channel) -> str:
    return assign_roles([channel])[0][0].role


def test_every_role_of_the_table_is_known_and_every_rule_says_why() -> None:
    assert {rule.role for rule in RULES} - {""} <= set(ROLES)
    assert all(rule.reason for rule in RULES)


def test_no_rule_is_hidden_behind_an_earlier_rule_that_is_the_same() -> None:
    patterns = [
        (it.source, it.driver, it.label, it.item, it.unless_label, ROLES.get(it.role, ""))
        for it in RULES
    ]
    assert len(set(patterns)) == len(patterns)


@pytest.mark.parametrize(
    ("channel", "role"),
    [
        (_channel("coretemp", "Package id 0"), "cpu_temperature"),
        (_channel("k10temp", "Tccd3"), "cpu_temperature"),
        (_channel("nct6799", "SYSTIN"), "board_temperature"),
        (_channel("nct6799", "CPUTIN"), ""),
        (_channel("nct6799", "AUXTIN4"), ""),
        (_channel("nct6799", "", "V", item="in0_input"), "core_voltage"),
        (_channel("nct6799", "", "V", item="in1_input"), ""),
        (_channel("asusec", "VRM"), "regulator_temperature"),
        (_channel("asusec", "Motherboard"), "board_temperature"),
        (_channel("asusec", "Water_In"), "coolant_temperature"),
        (_channel("asusec", "T_Sensor"), ""),
        (_channel("spd5118"), "memory_temperature"),
        (_channel("nvme", "Composite"), "storage_temperature"),
        (_channel("amdgpu", "edge"), "gpu_temperature"),
        (_channel("amdgpu", "PPT", "W"), "gpu_power"),
        (_channel("peci_cputemp.cpu0", "Die"), "cpu_temperature"),
        (_channel("peci_cputemp.cpu0", "Tjmax"), ""),
        (_channel("anything", "", "RPM"), "fan_speed"),
        (_channel("BAT0", "", "V", item="in0_input"), ""),
        (_channel("x86_pkg_temp", source="thermal"), "cpu_temperature"),
        (_channel("acpitz", source="thermal"), "board_temperature"),
        (_channel("intel_pstate", "request", "Hz", source="cpufreq"), "requested_clock"),
        (_channel("intel_pstate", "counted average", "Hz", source="cpufreq"), "core_clock"),
        (_channel("intel-rapl", "package-0", "W", source="powercap", item="power"), "cpu_power"),
        (_channel("intel-rapl", "package-0 core", "W", source="powercap", item="power"), ""),
        (_channel("intel-rapl", "package-0 dram", "W", source="powercap", item="power"),
         "memory_power"),
        (_channel("intel-rapl-mmio", "package-0", "W", source="powercap", item="power"), ""),
        (_channel("intel-rapl", "psys", "W", source="powercap", item="power"), "system_power"),
        (_channel("interrupts", "", "count", source="hardware errors", item="MCE"),
         "error_alarms"),
        (_channel("interrupts", "", "count", source="hardware errors", item="TRM"), "heat_alarms"),
        (_channel("skx_edac", "", "count", source="hardware errors", item="ce_count"),
         "hardware_errors"),
        (_channel("log", "", "count", source="kernel log"), "error_alarms"),
        (_channel("interrupts", "", "count", source="hardware errors", item="MCP"), ""),
        (_channel("chain", "relative", "Hz", source="clock probe"), ""),
        (_channel("unheard of", "whatever"), ""),
    ],
    ids=lambda it: it.name if isinstance(it, Channel) else it,
)  # fmt: skip
def test_channels_of_known_drivers_get_their_role(channel: Channel, role: str) -> None:
    assert _role(channel) == role


def test_the_control_value_counts_only_where_there_is_no_die_temperature() -> None:
    tctl, tdie = _channel("k10temp", "Tctl"), _channel("k10temp", "Tdie")
    assert [it.role for it in assign_roles([tctl])[0]] == ["cpu_temperature"]
    both = assign_roles([tctl, tdie])[0]
    assert [it.role for it in both] == ["", "cpu_temperature"]
    assert "offset" in both[0].reason
    other_chip = _channel("k10temp", "Tdie", place="another socket")
    assert [it.role for it in assign_roles([tctl, other_chip])[0]] == ["cpu_temperature"] * 2


def test_an_override_counts_before_the_table_by_key_name_or_wildcard() -> None:
    channel = _channel("nct6799", "AUXTIN0", name="nct6799 AUXTIN0")
    for pattern in (channel.key, "nct6799 AUXTIN0", "hwmon:*:nct6799:*:AUXTIN?"):
        (assigned,), unused = assign_roles([channel], {pattern: "ambient_temperature"})
        assert (assigned.role, assigned.reason) == ("ambient_temperature", "the profile says so")
        assert unused == []


def test_an_override_may_take_a_role_away() -> None:
    (assigned,), _ = assign_roles([_channel("coretemp", "Core 0")], {"hwmon:*": ""})
    assert assigned.role == ""


def test_an_override_that_meets_nothing_is_given_back() -> None:
    assert assign_roles([_channel("coretemp")], {"no such": "fan_speed"})[1] == ["no such"]


def test_an_unknown_role_and_a_role_of_another_unit_are_refused_with_a_remedy() -> None:
    channel = _channel("coretemp", "Core 0", name="Core 0")
    with pytest.raises(UsageError, match="did you mean 'cpu_temperature'"):
        assign_roles([channel], {"Core 0": "cpu_temprature"})
    with pytest.raises(UsageError, match="is in °C and cannot have the role 'fan_speed'"):
        assign_roles([channel], {"Core 0": "fan_speed"})
