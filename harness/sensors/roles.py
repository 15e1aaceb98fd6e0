"""What a channel means: one table of rules, read from top to bottom, the first match counts.

A rule matches on the parts of a channel's key (source, driver, item, label; ``*`` and ``?`` are
wildcards, case does not matter) and on the unit that its role has. A profile's overrides come
before the table. Where the reason gives no kernel document, the rule is common practice with no
source; labels on board chips say where a maker *meant* a sensor to be.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

from harness.errors import UsageError, nearest
from harness.results import Channel
from harness.sensors.keys import Traits, traits_of

#: Every role and the unit of its channels.
ROLES: Mapping[str, str] = {
    "cpu_temperature": "°C",
    "cpu_power": "W",
    "core_clock": "Hz",
    "requested_clock": "Hz",
    "core_voltage": "V",
    "memory_temperature": "°C",
    "memory_power": "W",
    "board_temperature": "°C",
    "regulator_temperature": "°C",
    "storage_temperature": "°C",
    "coolant_temperature": "°C",
    "ambient_temperature": "°C",
    "gpu_temperature": "°C",
    "gpu_power": "W",
    "gpu_clock": "Hz",
    "fan_speed": "RPM",
    "system_power": "W",
    "throttle_count": "count",
    "heat_alarms": "count",
    "hardware_errors": "count",
    "error_alarms": "count",
    "cpu_load": "%",
    "available_memory": "B",
}


@dataclass(frozen=True)
class Rule:
    """One line of the table. A role of "" leaves the channel without one, for a stated reason.

    `unless_label` stops the rule where a better channel exists on the same chip.
    """

    role: str
    source: str
    driver: str
    label: str
    reason: str
    item: str = "*"
    unless_label: str = ""


def _rules(*lines: tuple[str, str, str, str, str]) -> tuple[Rule, ...]:
    return tuple(Rule(*line) for line in lines)


RULES: tuple[Rule, ...] = (
    *_rules(
        ("cpu_temperature", "hwmon", "coretemp", "*", "the processor's own sensors (coretemp.rst)"),
        ("cpu_temperature", "hwmon", "k10temp", "tdie", "die temperature (k10temp.rst)"),
        ("cpu_temperature", "hwmon", "k10temp", "tccd*", "a core complex's die (k10temp.rst)"),
    ),
    Rule(
        "cpu_temperature",
        "hwmon",
        "k10temp",
        "tctl",
        "control value: may lie 10 to 27 °C above the die by part (k10temp.rst); no Tdie here",
        unless_label="tdie",
    ),
    *_rules(
        ("", "hwmon", "k10temp", "tctl", "control value with an offset; Tdie is read instead"),
        ("cpu_temperature", "hwmon", "k10temp", "*", "the processor's own sensor (k10temp.rst)"),
        ("", "hwmon", "peci_cputemp*", "tcontrol", "a threshold, not a temperature"),
        ("", "hwmon", "peci_cputemp*", "tthrottle", "a threshold, not a temperature"),
        ("", "hwmon", "peci_cputemp*", "tjmax", "a threshold, not a temperature"),
        ("cpu_temperature", "hwmon", "peci_cputemp*", "*", "processor over PECI (peci-cputemp)"),
        ("memory_temperature", "hwmon", "peci_dimmtemp*", "*", "module over PECI (peci-dimmtemp)"),
        ("cpu_temperature", "hwmon", "sbtsi*", "*", "processor over its side band (sbtsi_temp)"),
        ("cpu_temperature", "hwmon", "cpu*thermal*", "*", "the processor's zone, by its name"),
        ("cpu_temperature", "hwmon", "soc*thermal*", "*", "the chip's zone, by its name"),
        ("cpu_temperature", "hwmon", "dell_smm", "cpu*", "labelled so by the firmware"),
        ("cpu_temperature", "hwmon", "thinkpad", "cpu*", "labelled so by the driver"),
        ("cpu_temperature", "thermal", "x86_pkg_temp*", "*", "the package's own sensor"),
        ("cpu_temperature", "thermal", "cpu*", "*", "the processor's zone, by its name"),
        ("cpu_temperature", "thermal", "soc*", "*", "the chip's zone, by its name"),
        ("cpu_temperature", "thermal", "*core*thermal*", "*", "a group of cores, by its name"),
        ("cpu_temperature", "thermal", "*cpu*thermal*", "*", "the processor's zone, by its name"),
        ("cpu_temperature", "thermal", "tcpu*", "*", "the processor's zone, by its name"),
        ("memory_temperature", "hwmon", "jc42", "*", "memory module's sensor (jc42.rst)"),
        ("memory_temperature", "hwmon", "spd5118", "*", "memory module's sensor (spd5118.rst)"),
        ("memory_temperature", "hwmon", "dell_smm", "sodimm*", "labelled so by the firmware"),
        ("memory_temperature", "thermal", "ddr*", "*", "the memory's zone, by its name"),
        ("storage_temperature", "hwmon", "nvme*", "*", "a drive's own sensor"),
        ("storage_temperature", "hwmon", "drivetemp*", "*", "a drive's own sensor (drivetemp.rst)"),
        ("gpu_temperature", "hwmon", "amdgpu*", "*", "the accelerator's own sensor"),
        ("gpu_temperature", "hwmon", "nouveau*", "*", "the accelerator's own sensor"),
        ("gpu_temperature", "hwmon", "*", "gpu*", "labelled so by the firmware"),
        ("gpu_temperature", "thermal", "gpu*", "*", "the accelerator's zone, by its name"),
        ("gpu_power", "hwmon", "amdgpu*", "*", "the accelerator's own meter; on a processor with "
         "built-in graphics it is the whole package"),
        ("gpu_clock", "hwmon", "amdgpu*", "sclk", "the accelerator's clock"),
        ("coolant_temperature", "hwmon", "*", "*water*", "labelled so by the board"),
        ("coolant_temperature", "hwmon", "*", "*coolant*", "labelled so by the device"),
        ("ambient_temperature", "hwmon", "*", "*ambient*", "labelled so by the board; inside the "
         "case it is warmer than the room"),
        ("ambient_temperature", "hwmon", "*", "*inlet*", "air drawn in, by its label"),
        ("regulator_temperature", "hwmon", "*", "*vrm*", "labelled so by the board"),
        ("regulator_temperature", "hwmon", "*", "*mos*", "labelled so by the board"),
        ("", "hwmon", "*", "t_sensor*", "a freely placed probe: give it a role in the profile"),
        ("", "hwmon", "nct6*", "auxtin*", "often not connected on the board"),
        ("", "hwmon", "nct6*", "cputin*", "a probe near the socket, often floating"),
        ("", "hwmon", "nct6*", "peci*", "second hand; the processor's own driver is preferred"),
        ("", "hwmon", "nct6*", "tsi*", "second hand; the processor's own driver is preferred"),
        ("", "hwmon", "nct6*", "smbusmaster*", "second hand; the processor's own is preferred"),
        ("", "hwmon", "nct6*", "pch*", "often a placeholder that reads 0"),
        ("board_temperature", "hwmon", "nct6*", "*", "a probe of the board's monitoring chip"),
        ("board_temperature", "hwmon", "it8*", "*", "a probe of the board's monitoring chip"),
        ("board_temperature", "hwmon", "f718*", "*", "a probe of the board's monitoring chip"),
        ("board_temperature", "hwmon", "w836*", "*", "a probe of the board's monitoring chip"),
        ("board_temperature", "hwmon", "gigabyte_wmi", "*", "a probe read through the firmware"),
        ("board_temperature", "hwmon", "*", "*motherboard*", "labelled so by the board"),
        ("board_temperature", "hwmon", "*", "*chipset*", "labelled so by the board"),
        ("board_temperature", "hwmon", "acpitz*", "*", "a zone of the firmware, place unknown"),
        ("board_temperature", "thermal", "acpitz*", "*", "a zone of the firmware, place unknown"),
        ("board_temperature", "thermal", "pch*", "*", "the platform controller's zone"),
        ("core_voltage", "hwmon", "*", "*vcore*", "labelled so by the board"),
        ("core_voltage", "hwmon", "*", "*cpu core*", "labelled so by the board"),
        ("core_voltage", "hwmon", "*", "vddcr_cpu*", "labelled so by the board"),
    ),
    Rule("core_voltage", "hwmon", "nct6*", "", "input 0 is wired to the core on most boards; check "
         "it against the firmware's screen", item="in0_input"),
    Rule("core_voltage", "hwmon", "it8*", "", "input 0 is wired to the core on most boards; check "
         "it against the firmware's screen", item="in0_input"),
    *_rules(
        ("fan_speed", "hwmon", "*", "*", "a tachometer"),
        ("", "hwmon", "bat*", "*", "a battery"),
        ("system_power", "hwmon", "power_meter*", "*", "the firmware's meter (acpi_power_meter)"),
        ("system_power", "hwmon", "*", "pin*", "input power of a supply (pmbus.rst)"),
        ("requested_clock", "cpufreq", "*", "request", "what was asked for, not what was measured"),
        ("core_clock", "cpufreq", "*", "*", "counted by the processor (cpufreq.rst)"),
    ),
    Rule("", "powercap", "*", "", "the counter behind the power", item="energy"),
    *_rules(
        ("", "powercap", "*-mmio", "*", "the same package through another interface"),
        ("memory_power", "powercap", "*", "*dram", "the memory's zone (powercap.rst)"),
        ("", "powercap", "*", "package-* ?*", "a part of its package, already inside it"),
        ("cpu_power", "powercap", "*", "package-*", "the package's zone (powercap.rst)"),
        ("system_power", "powercap", "*", "psys", "the platform's zone (powercap.rst)"),
        ("throttle_count", "throttle", "*", "*", "the processor slowed down for heat"),
        ("", "throttle", "*", "*", "how long; the counts are judged"),
    ),
    Rule("heat_alarms", "hardware errors", "interrupts", "",
         "heat alarms, where firmware or a hypervisor lets them through", item="trm"),
    Rule("", "hardware errors", "interrupts", "", "counts polls, not errors", item="mcp"),
    *_rules(
        ("error_alarms", "hardware errors", "interrupts", "*", "some errors, in a guest none"),
        ("hardware_errors", "hardware errors", "*", "*", "errors the memory controller counts"),
        ("error_alarms", "kernel log", "*", "*", "errors the kernel logs, in a guest none"),
    ),
    Rule("cpu_load", "system", "*", "", "time in use over all time", item="cpu_busy"),
    Rule("", "system", "*", "", "tells of memory running short", item="swap_used"),
    Rule("available_memory", "system", "*", "", "the kernel's estimate", item="memory_available"),
    *_rules(
        ("", "pressure", "*", "*", "a cause of disturbed trials, not a quantity to judge"),
        ("core_clock", "clock probe", "*", "cycles", "measured by a chain of known length"),
        ("gpu_temperature", "nvml", "*", "gpu", "the accelerator's own sensor"),
        ("gpu_power", "nvml", "*", "board", "the accelerator's own meter"),
        ("gpu_clock", "nvml", "*", "processors", "the accelerator's clock"),
    ),
    Rule("", "nvml", "*", "throttle power cap", "the power cap was reached, not heat"),
    Rule("throttle_count", "nvml", "*", "throttle*", "the accelerator slowed down"),
    Rule("hardware_errors", "nvml", "*", "ecc*", "memory errors of the accelerator"),
)  # fmt: skip


@dataclass(frozen=True)
class Assignment:
    """A channel's role and why it has it."""

    role: str
    reason: str


def assign_roles(
    channels: Sequence[Channel], overrides: Mapping[str, str] | None = None
) -> tuple[list[Channel], list[str]]:
    """`channels` with role and reason filled in, and the overrides that match no channel.

    `overrides` maps a channel's key or name (wildcards allowed) to a role, "" to take it away.
    Raises UsageError for an unknown role or a channel of another unit.
    """
    chosen = dict(overrides or {})
    for pattern, role in chosen.items():
        _check_role(pattern, role)
    labels = _labels_by_chip(channels)
    used: set[str] = set()
    assigned = [_assign(channel, chosen, labels, used) for channel in channels]
    return assigned, [pattern for pattern in chosen if pattern not in used]


def _assign(
    channel: Channel,
    overrides: Mapping[str, str],
    labels: Mapping[tuple[str, str], set[str]],
    used: set[str],
) -> Channel:
    pattern = next((it for it in overrides if _names(it, channel)), None)
    if pattern is not None:
        used.add(pattern)
        role = overrides[pattern]
        _check_unit(channel, role)
        return replace(channel, role=role, reason="the profile says so")
    if channel.role:
        _check_role(channel.name, channel.role)
        _check_unit(channel, channel.role)
        return channel
    found = assignment(channel, labels)
    return replace(channel, role=found.role, reason=found.reason)


def assignment(channel: Channel, labels: Mapping[tuple[str, str], set[str]]) -> Assignment:
    """What the table says of one channel; `labels` are those on each chip (place, driver)."""
    traits = traits_of(channel.key)
    beside = labels.get((traits.place, traits.driver), set())
    for rule in RULES:
        if _matches(rule, traits, channel.unit) and rule.unless_label not in beside:
            return Assignment(rule.role, rule.reason)
    return Assignment("", "no rule knows this channel")


def _matches(rule: Rule, traits: Traits, unit: str) -> bool:
    if rule.role and ROLES[rule.role] != unit:
        return False
    return (
        rule.source == traits.source
        and fnmatchcase(traits.driver.lower(), rule.driver)
        and (rule.label == "" or fnmatchcase(traits.label.lower(), rule.label))
        and fnmatchcase(traits.item.lower(), rule.item)
    )


def _names(pattern: str, channel: Channel) -> bool:
    if pattern in (channel.key, channel.name):
        return True
    return fnmatchcase(channel.key, pattern) or fnmatchcase(channel.name, pattern)


def _labels_by_chip(channels: Iterable[Channel]) -> dict[tuple[str, str], set[str]]:
    labels: dict[tuple[str, str], set[str]] = {}
    for channel in channels:
        traits = traits_of(channel.key)
        labels.setdefault((traits.place, traits.driver), set()).add(traits.label.lower() or "-")
    return labels


def _check_role(pattern: str, role: str) -> None:
    if role and role not in ROLES:
        raise UsageError(
            f"channel '{pattern}' is given the unknown role '{role}': {nearest(role, list(ROLES))}"
        )


def _check_unit(channel: Channel, role: str) -> None:
    if role and channel.unit and ROLES[role] != channel.unit:
        raise UsageError(
            f"channel '{channel.name}' is in {channel.unit} and cannot have the role '{role}', "
            f"whose channels are in {ROLES[role]}"
        )
