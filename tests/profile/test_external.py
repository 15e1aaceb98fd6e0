"""External sensors of a profile become commands of the sensor room."""

from __future__ import annotations

from harness.profile.external import external_commands
from harness.profile.model import ExternalSensor, Sampling
from harness.sensors.external import ExternalChannel, ExternalCommand

INLET = ExternalSensor(
    name="inlet", argv=("thermometer", "--once"), unit="°C", role="ambient_temperature"
)
METER = ExternalSensor(name="meter", argv=("wall-power",))


def test_a_stated_unit_makes_a_channel_and_no_unit_leaves_it_to_the_first_sample() -> None:
    assert external_commands(Sampling(external=(INLET, METER))) == (
        ExternalCommand(
            "inlet",
            ("thermometer", "--once"),
            (ExternalChannel("inlet", "°C", "ambient_temperature"),),
        ),
        ExternalCommand("meter", ("wall-power",), ()),
    )


def test_a_profile_without_external_sensors_starts_nothing() -> None:
    assert external_commands(Sampling()) == ()


def test_a_role_without_a_unit_is_kept_and_has_the_unit_of_its_channels() -> None:
    probe = ExternalSensor(name="probe", argv=("meter",), role="cpu_temperature")
    (command,) = external_commands(Sampling(external=(probe,)))
    assert command.channels == (ExternalChannel("probe", "°C", "cpu_temperature"),)
