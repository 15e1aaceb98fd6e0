"""`sensors` and `machine`: what can be seen here, and what the machine says it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cautions import UNPROVEN
from harness.cli.options import AllowCommands, AsJson, SysfsRoot, sysfs_root
from harness.cli.plain import say_json
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.results import Channel
    from harness.sensors.catalogue import Catalogue, CatalogueOptions
    from harness.sensors.readout import ChipReadout

ProfileOption = Annotated[
    str | None,
    typer.Option(
        "--profile",
        metavar="PROFILE",
        help="Use the roles and external sensors of this profile.",
        show_default=False,
    ),
]


def sensors(
    as_json: AsJson = False,
    root: SysfsRoot = None,
    profile: ProfileOption = None,
    allow_commands: AllowCommands = False,
) -> None:
    """List every sensor channel: value now, role and why, claimed limits, read time, and gaps."""
    from harness.sensors.catalogue import discover
    from harness.sensors.readout import read_once

    base = existing_root(root)
    catalogue = discover(base, _options(profile, allow_commands))
    document = sensors_document(base, catalogue, read_once(catalogue.chips))
    if as_json:
        say_json(document)
        return
    from harness.cli.sensing_tables import show_sensors

    show_sensors(document)


def machine(as_json: AsJson = False, root: SysfsRoot = None) -> None:
    """Print what the machine says it is, and what a careful person would point out before a run."""
    from harness.machine.affinity import allowed_cpus
    from harness.machine.facts import collect_facts
    from harness.machine.warnings import pre_run_warnings

    base = existing_root(root)
    warnings = pre_run_warnings(base, cpus=allowed_cpus())
    document = {
        "facts": collect_facts(base),
        "warnings": [{"name": it.name, "text": it.text, "remedy": it.remedy} for it in warnings],
    }
    if as_json:
        say_json(document)
        return
    from harness.cli.sensing_tables import show_machine

    show_machine(document)


def existing_root(option: Path | None) -> Path:
    """The root to read below. Raises UsageError when it is no folder."""
    base = sysfs_root(option)
    if not base.is_dir():
        raise UsageError(
            f"--sysfs-root received {str(base)!r}, which is no folder: give one that holds "
            "sys and proc, or leave it out"
        )
    return base.absolute()


def sensors_document(
    root: Path, catalogue: Catalogue, readouts: Sequence[ChipReadout]
) -> dict[str, Any]:
    """Everything `sensors` shows, as plain JSON. What was not read is null with a reason."""
    from harness.sensors.agreement import clock_agreement

    readings = {it.channel: (it, readout) for readout in readouts for it in readout.readings}
    values = {key: it.value for key, (it, _) in readings.items() if it.value is not None}
    return {
        "root": str(root),
        "channels": [_present(it, catalogue, readings) for it in catalogue.channels]
        + [_missing(it) for it in catalogue.absent],
        "hints": [{"source": it.source, "text": it.text} for it in catalogue.hints],
        "clocks": [
            {
                "cpu": it.cpu,
                "measured_hz": it.measured_hz,
                "stated_hz": it.stated_hz,
                "stated_by": it.stated_by,
                "agree": it.agree,
            }
            for it in clock_agreement(catalogue.channels, values)
        ],
        "unproven": UNPROVEN,
    }


def _options(profile: str | None, allow_commands: bool) -> CatalogueOptions:
    from harness.sensors.catalogue import CatalogueOptions

    if profile is None:
        return CatalogueOptions(clock_probe=True)
    from harness.profile.external import external_commands
    from harness.profile.loader import load_profile

    sampling = load_profile(profile).profile.sampling
    return CatalogueOptions(
        role_overrides=dict(sampling.roles),
        external=external_commands(sampling),
        allow_external=allow_commands,
        clock_probe=True,
    )


def _present(
    channel: Channel, catalogue: Catalogue, readings: Mapping[str, tuple[Any, ChipReadout]]
) -> dict[str, Any]:
    reading, readout = readings[channel.key]
    return {
        **_identity(channel),
        "value": reading.value,
        "reason": reading.reason or None,
        "flag": reading.flag or None,
        "read_seconds": readout.seconds,
        "limits": [
            {"name": it.name, "value": it.value, "unit": it.unit, "reviewed": False}
            for it in catalogue.limits
            if it.channel == channel.key
        ],
    }


def _missing(channel: Channel) -> dict[str, Any]:
    return {
        **_identity(channel),
        "value": None,
        "reason": channel.absent_reason,
        "flag": None,
        "read_seconds": None,
        "limits": [],
    }


def _identity(channel: Channel) -> dict[str, Any]:
    return {
        "key": channel.key,
        "name": channel.name,
        "unit": channel.unit,
        "source": channel.source,
        "role": channel.role or None,
        "role_reason": channel.reason or None,
        "cpu": channel.cpu,
        "counter": channel.counter,
        "present": not channel.absent_reason,
    }
