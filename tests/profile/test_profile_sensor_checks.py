"""A misspelt role is an error: it would guard or judge nothing."""

from __future__ import annotations

import pytest
from profile_samples import MINIMAL, REGISTRY

from harness.errors import ProfileError
from harness.profile.loader import parse_profile


@pytest.mark.parametrize(
    ("more", "key"),
    [
        (
            "safety: {limits: [{role: fan_sped, unit: RPM, stop_below: 300}]}",
            "safety.limits[1].role",
        ),
        ("sampling: {roles: {'hwmon:*': cpu_temprature}}", "sampling.roles.hwmon:*"),
        (
            "sampling: {external: [{name: t, argv: [t], role: ambient_temp}]}",
            "sampling.external[1].role",
        ),
        ("start_when: {channel: cpu_temperatur, within_celsius: 1}", "start_when.channel"),
        ("ambient_celsius: {channel: ambient_temperatur}", "ambient_celsius.channel"),
        (
            "accept: [{criterion: temperature-ceiling, role: cpu_temperatur, at_most_celsius: 9}]",
            "accept[1].role",
        ),
    ],
)
def test_a_role_that_no_channel_can_have_is_refused_everywhere(more: str, key: str) -> None:
    with pytest.raises(ProfileError, match="which is no role; did you mean") as caught:
        parse_profile(MINIMAL + more, "p", registry=REGISTRY)
    assert (caught.value.key, caught.value.line) == (key, 5)


def test_a_limit_in_another_unit_than_its_role_is_refused() -> None:
    more = "safety: {limits: [{role: core_voltage, unit: mV, stop_above: 1400}]}"
    with pytest.raises(ProfileError, match="channels of core_voltage are in V"):
        parse_profile(MINIMAL + more, "p", registry=REGISTRY)


@pytest.mark.parametrize("channel", ["hwmon:isa-0290:nct6798:temp2_input:t_sensor", "cpu package"])
def test_a_channel_may_be_meant_by_its_key_or_its_name(channel: str) -> None:
    more = f"start_when: {{channel: '{channel}', within_celsius: 1}}"
    profile = parse_profile(MINIMAL + more, "p", registry=REGISTRY)
    assert profile.start_when is not None
    assert profile.start_when.channel == channel


def test_text_from_the_profile_reaches_a_terminal_without_its_control_sequences() -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(MINIMAL + '"\\e[31m\\nred": 1', "p", registry=REGISTRY)
    assert str(caught.value).isprintable()
    assert "\\x1b[31m\\nred" in str(caught.value)


def test_a_message_never_grows_with_the_profile() -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(MINIMAL + "x" * 500_000 + ": 1", "p", registry=REGISTRY)
    assert len(str(caught.value)) < 1000
