"""Heat: fits of soaks, what regulated them, and what is said or not claimed."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from evidence_samples import event, load_info, run_data, soak

from harness.criteria.evidence import Room
from harness.judgement.analysis import analyse
from harness.judgement.heat import heat_findings, heat_statements
from harness.judgement.room import room_of
from harness.outcome import Verdict
from harness.profile.loader import parse_profile
from harness.profile.model import Profile
from harness.results import Channel, ChannelData, Envelope, Event, EventKind, RunData
from harness.statistics.heat import Control

TEXT = """\
name: test
loads: [{workload: spin, name: steady, soak_minutes: 10}]
ambient_celsius: 22.0
worst_ambient_celsius: 35.0
"""
PROFILE = parse_profile(TEXT, registry=None)
START, RISE, TAU = 40.0, 30.0, 60.0


def series(name: str, role: str, unit: str, value_at: Any) -> ChannelData:
    envelopes = tuple(
        Envelope(float(second), 1.0, value, value, value, 2)
        for second in range(90, 700)
        for value in (value_at(second + 0.5 - 100.0),)
    )
    return ChannelData(Channel(name, name, unit, "hwmon", role), envelopes, 1220, 0, 0)


def heated(time: float) -> float:
    """First-order step response with a sensor's ripple of a twentieth of a degree."""
    ripple = 0.05 * math.sin(12.9898 * time * time)
    return START + ripple + (0.0 if time < 0 else RISE * -math.expm1(-time / TAU))


def run(*extra: ChannelData, seconds: float = 600.0, **more: Any) -> RunData:
    values = {
        "loads": (load_info("steady", 0, workload="spin", trials=0),),
        "trials": (),
        "soaks": (soak(seconds, 0),),
        "channels": (series("package", "cpu_temperature", "°C", heated), *extra),
    }
    return run_data(**{**values, **more})


def findings(data: RunData, profile: Profile = PROFILE) -> Any:
    return heat_findings(data, profile, room_of(profile, data))


def test_the_fit_finds_the_steady_value_and_the_time_constant_put_in() -> None:
    found = findings(run())[0]
    assert found.fit.steady_celsius == pytest.approx(START + RISE, abs=0.05)
    assert found.fit.components[0].time_constant_seconds == pytest.approx(TAU, rel=0.02)
    assert found.heating.rise_left_celsius == pytest.approx(RISE * math.exp(-10), abs=0.02)
    assert found.control.control is Control.UNKNOWN


def test_a_soak_cut_short_tells_how_much_was_still_to_come() -> None:
    found = findings(run(seconds=120.0))[0]
    expected = RISE * math.exp(-120 / TAU)
    heating = found.heating
    assert heating.rise_left_celsius == pytest.approx(expected, rel=0.1)
    assert heating.rise_left_low <= expected <= heating.rise_left_high
    assert "would have risen another" in heat_statements([found])[0].text


def test_a_soak_shorter_than_its_time_constant_claims_nothing() -> None:
    heating = findings(run(seconds=40.0))[0].heating
    assert heating.steady_celsius is None
    assert heating.rise_left_celsius is None
    assert "too short" in heating.reason


def test_a_regulated_fan_means_held_by_control_and_no_margin() -> None:
    fan = series("fan", "fan_speed", "RPM", lambda time: 900.0 + 2.0 * max(time, 0.0))
    found = findings(run(fan))[0]
    assert found.heating.held_by_control
    assert found.margin.margin_celsius is None
    text = heat_statements([found])[0].text
    assert "Held by control: fan changed by" in text
    assert "no steady value and no margin is claimed" in text
    assert "at most 70.0 °C, 70.0 °C at the end" in text
    assert "settled" not in text
    assert found.heating.steady_celsius is None
    assert found.heating.rise_left_celsius is None


def test_throttling_during_the_soak_means_held_by_control() -> None:
    found = findings(run(events=(event(EventKind.THROTTLED, 300.0),)))[0]
    assert found.heating.held_by_control
    assert not findings(run(events=(event(EventKind.THROTTLED, 50.0),)))[0].heating.held_by_control


@pytest.mark.parametrize(("told_at", "span", "held"), [
    (750.0, [600.0, 690.0, 91], True),
    (130.0, [60.0, 90.0, 31], False),
])  # fmt: skip
def test_throttling_that_is_told_later_counts_when_it_was(
    told_at: float, span: list[float], held: bool
) -> None:
    """The soak lasts from 100 s to 700 s."""
    summary = Event(EventKind.THROTTLED, told_at, "core 5: 91 more", {"spans": [span]})
    assert findings(run(events=(summary,)))[0].heating.held_by_control is held


def steady_machine() -> RunData:
    return run(
        series("fan", "fan_speed", "RPM", lambda _: 1200.0),
        series("clock", "core_clock", "Hz", lambda _: 3.6e9),
        series("power", "cpu_power", "W", lambda _: 96.0),
    )


def test_the_margin_is_told_for_now_and_for_the_worst_declared_day() -> None:
    found = findings(steady_machine())[0]
    assert found.control.control is Control.CONSTANT
    assert found.margin.margin_celsius == pytest.approx(95.0 - 70.0, abs=0.05)
    assert found.margin.hot_day_celsius == pytest.approx(25.0 - 13.0, abs=0.05)
    text = heat_statements([found])[0].text
    assert "25.0 K remain to the guard's limit, and 12.0 K on the worst declared day" in text


def test_the_resistance_is_that_of_the_whole_system_and_named_so() -> None:
    found = findings(steady_machine())[0]
    # Definition: (steady temperature - ambient) / power = (70 - 22) / 96.
    assert found.resistance.celsius_per_watt == pytest.approx(0.5, abs=0.001)
    assert "not the theta-JA of a data sheet" in heat_statements([found])[0].text


def test_no_resistance_without_power_and_no_hot_day_without_a_room() -> None:
    bare = parse_profile(TEXT.split("ambient", maxsplit=1)[0], registry=None)
    found = findings(steady_machine(), bare)[0]
    assert found.resistance.celsius_per_watt is None
    assert found.margin.hot_day_celsius is None
    assert found.margin.margin_celsius is not None


def test_the_hottest_channel_of_the_role_is_fitted() -> None:
    hotter = series("die 2", "cpu_temperature", "°C", lambda time: heated(time) + 5.0)
    found = findings(run(hotter))
    assert [item.channel.channel.name for item in found] == ["die 2"]


MARGIN = """\
accept:
  - {criterion: temperature-margin, at_least_celsius: 5, limit_celsius: 95}
"""


def slowly(time: float) -> float:
    """A cooler channel that is still far from its end when the soak is over."""
    return heated(time) - RISE * (1 if time < 0 else math.exp(-time / 900.0))


def test_every_channel_that_is_judged_is_fitted_and_the_hottest_is_told() -> None:
    asked = parse_profile(TEXT + MARGIN, registry=None)
    data = run(series("die 2", "cpu_temperature", "°C", slowly))
    found = findings(data, asked)
    assert [(item.channel.channel.name, item.hottest) for item in found] == [
        ("package", True),
        ("die 2", False),
    ]
    assert [text.text.partition(":")[0] for text in heat_statements(found)] == ["steady, package"]
    judged = analyse(data, asked).criteria[0]
    assert judged.verdict is Verdict.INCONCLUSIVE
    assert "too short to show where the temperature ends" in judged.why


def test_channels_of_one_die_that_settle_keep_their_margin() -> None:
    asked = parse_profile(TEXT + MARGIN, registry=None)
    cooler = series("die 2", "cpu_temperature", "°C", lambda time: heated(time) - 3.0)
    judged = analyse(run(cooler), asked).criteria[0]
    assert (judged.verdict, judged.measured) == (Verdict.PASS, pytest.approx(25.0, abs=0.1))


def test_a_judged_channel_without_a_reading_in_the_soak_says_so() -> None:
    asked = parse_profile(TEXT + MARGIN, registry=None)
    early = series("die 2", "cpu_temperature", "°C", heated)
    early = replace(early, envelopes=early.envelopes[:5])
    judged = analyse(run(early), asked).criteria[0]
    assert judged.verdict is Verdict.INCONCLUSIVE
    assert "die 2 gave no usable value for 10 min 00 s of the 10 min 00 s of steady" in judged.why


@pytest.mark.parametrize(("channels", "fitted"), [(1, False), (20, True)])
def test_the_channels_of_a_run_share_the_level_of_the_misfit(channels: int, fitted: bool) -> None:
    """The unlucky noise of `test_thermal`: alone a misfit, as one channel of twenty none."""
    noise = np.random.default_rng(81).normal(0.0, 0.6, 300)

    def unlucky(time: float) -> float:
        place = int(time) if 0 < time < 300 else 0
        return START + float(noise[place]) + RISE * -math.expm1(-max(time, 0.0) / 40.0)

    others = (
        series(f"die {number}", "cpu_temperature", "°C", lambda time: heated(time) - 9.0)
        for number in range(2, channels + 1)
    )
    package = series("package", "cpu_temperature", "°C", unlucky)
    asked = parse_profile(TEXT + MARGIN, registry=None)
    found = findings(run(seconds=300.0, channels=(package, *others)), asked)
    assert len(found) == channels
    assert (found[0].fit.steady_celsius is not None) is fitted


def test_patterns_without_steady_power_are_not_fitted() -> None:
    assert findings(run(soaks=(soak(600.0, 0, pattern="load-steps"),))) == ()


def test_throughput_lost_to_heat_is_told_with_its_interval() -> None:
    falling = tuple(
        (100.0 + 5 * n, 1000.0 * (1 - 0.03 * (1 - math.exp(-n / 12))) + (-1) ** n)
        for n in range(120)
    )
    soaks = (soak(600.0, 0, rate_points=falling),)
    found = findings(run(soaks=soaks))[0]
    assert found.loss.low_percent > 1.0
    assert found.loss.high_percent < 3.5
    assert "The soak cost 2.0 %" in heat_statements([found])[0].text
    assert "clock was not measured" in heat_statements([found])[0].text
    clock = series("clock", "core_clock", "Hz", lambda time: 3.6e9 - 2e5 * max(time, 0.0))
    hot = findings(run(clock, soaks=soaks))[0]
    assert "Heat cost 2.0 %" in heat_statements([hot])[0].text
    steady = findings(run(series("clock", "core_clock", "Hz", lambda _: 3.6e9), soaks=soaks))[0]
    assert "the clock stayed constant: heat need not be why" in heat_statements([steady])[0].text


def test_a_soak_too_short_to_show_a_loss_says_so() -> None:
    points = tuple((100.0 + 5 * n, 1000.0 + n) for n in range(4))
    found = findings(run(soaks=(soak(600.0, 0, rate_points=points),)))[0]
    text = heat_statements([found])[0].text
    assert "lost to heat over the soak is not known: 4 readings of the throughput" in text


def test_only_the_clocks_of_cores_under_the_load_tell_of_control() -> None:
    idle = series("idle", "core_clock", "Hz", lambda time: 8e8 + 1e6 * max(time, 0.0))
    other = replace(idle, channel=replace(idle.channel, cpu=9))
    assert findings(run(other))[0].control.control is Control.UNKNOWN
    own = replace(idle, channel=replace(idle.channel, cpu=4))
    assert findings(run(own))[0].control.control is Control.HELD


def test_the_power_of_the_resistance_is_that_of_the_steady_end() -> None:
    leak = series("power", "cpu_power", "W", lambda time: 96.0 - 3.0 * math.exp(-max(time, 0) / 60))
    found = findings(run(leak))[0]
    assert found.resistance.celsius_per_watt == pytest.approx(48.0 / 96.0, abs=0.001)


# --- the room -----------------------------------------------------------------------------------


def test_a_declared_room_and_a_measured_one_are_both_known() -> None:
    assert room_of(PROFILE, run()) == Room(22.0, 35.0)
    text = TEXT.replace("22.0", "{channel: ambient_temperature}")
    measured = parse_profile(text, registry=None)
    room = series("inlet", "ambient_temperature", "°C", lambda _: 24.5)
    assert room_of(measured, run(room)) == Room(24.5, 35.0)
    assert "gave no value" in room_of(measured, run()).reason


def test_without_a_declared_room_nothing_is_said_of_a_hot_day() -> None:
    bare = parse_profile(TEXT.split("ambient", maxsplit=1)[0], registry=None)
    room = room_of(bare, run())
    assert (room.ambient_celsius, room.hotter_by_celsius) == (None, None)
    assert "declares no ambient_celsius" in room.reason
