"""From a profile's external sensors to the commands that the sensor room starts."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.profile.model import ExternalSensor, Sampling
    from harness.sensors.external import ExternalCommand


def external_commands(sampling: Sampling) -> tuple[ExternalCommand, ...]:
    """The programs that `sampling` names, in its order.

    A program whose unit or role the profile states has one channel of its own name; a role's
    channels have one unit, so that need not be stated. Any other program tells its channels with
    its first sample.
    """
    return tuple(map(_command, sampling.external))


def _command(sensor: ExternalSensor) -> ExternalCommand:
    from harness.sensors.external import ExternalChannel, ExternalCommand
    from harness.sensors.roles import ROLES

    unit = sensor.unit or ROLES.get(sensor.role, "")
    stated = (ExternalChannel(sensor.name, unit, sensor.role),) if unit else ()
    return ExternalCommand(sensor.name, sensor.argv, stated)
