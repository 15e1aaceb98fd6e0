"""What the temperature criteria share: a silent sensor forbids the pass of the others."""

from __future__ import annotations

import pytest
from evidence_samples import channel, evidence, heating, run_data

from harness.criteria.evidence import Evidence
from harness.criteria.sensor_coverage import SensorCoverage
from harness.criteria.steady_temperature import SteadyTemperature
from harness.criteria.temperature import TemperatureCriterion
from harness.criteria.temperature_ceiling import TemperatureCeiling
from harness.criteria.temperature_margin import TemperatureMargin
from harness.outcome import Verdict
from harness.results import Channel, ChannelData

SECOND = Channel(
    "hwmon:platform/coretemp.1:coretemp:temp1_input:Package id 1",
    "Package id 1",
    "°C",
    "hwmon",
    "cpu_temperature",
)
RULES: tuple[TemperatureCriterion, ...] = (
    TemperatureCeiling(at_most_celsius=90.0),
    TemperatureMargin(at_least_celsius=5.0),
    SteadyTemperature(),
    SensorCoverage(),
)


def silent(channel: Channel, missing: int = 0, reason: str = "") -> ChannelData:
    return ChannelData(channel, (), 0, missing, 0, missing_reason=reason)


def seen(*more: ChannelData, peak: float = 71.0) -> Evidence:
    settled = heating(rise_left_celsius=0.1, rise_left_low=0.0, rise_left_high=0.2)
    return evidence(run_data(channels=(channel(peak=peak), *more)), heating=(settled,))


def absent(channel: Channel, reason: str) -> ChannelData:
    return silent(
        Channel(
            channel.key, channel.name, channel.unit, "hwmon", channel.role, "", None, False, reason
        )
    )


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.criterion)
def test_one_sensor_of_two_that_was_never_read_forbids_a_pass(rule: TemperatureCriterion) -> None:
    assert rule.judge(seen()).verdict is Verdict.PASS
    result = rule.judge(seen(absent(SECOND, "permission denied")))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "Package id 1: permission denied (what was measured passes: " in result.why


@pytest.mark.parametrize("rule", RULES[:3], ids=lambda rule: rule.criterion)
def test_one_sensor_of_two_that_gave_only_errors_forbids_a_pass(
    rule: TemperatureCriterion,
) -> None:
    result = rule.judge(seen(silent(SECOND, 600, "read failed: EIO")))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "Package id 1: read failed: EIO" in result.why


def test_a_sensor_that_gave_nothing_does_not_hide_that_another_was_too_hot() -> None:
    result = TemperatureCeiling(at_most_celsius=90.0).judge(
        seen(silent(SECOND, 600, "read failed: EIO"), peak=91.0)
    )
    assert (result.verdict, result.measured) == (Verdict.FAIL, 91.0)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.criterion)
def test_a_chip_that_could_not_be_read_at_all_is_a_sensor_of_what_its_driver_measures(
    rule: TemperatureCriterion,
) -> None:
    key = "hwmon:platform/coretemp.1:coretemp::"
    hung = absent(Channel(key, "coretemp", "", "hwmon"), "did not answer within 6 s")
    result = rule.judge(seen(hung))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "coretemp: did not answer within 6 s" in result.why
    drive = Channel("hwmon:pci0/nvme:nvme::", "nvme", "", "hwmon")
    assert rule.judge(seen(absent(drive, "did not answer"))).verdict is Verdict.PASS


@pytest.mark.parametrize(
    "other",
    [
        # Second hand, set aside by the table of roles: no role.
        Channel("hwmon:platform/nct6775:nct6775:temp7_input:PECI Agent 0", "PECI", "°C", "hwmon"),
        # A whole source without sensors, where another source has them.
        Channel("hwmon::none::", "CPU temperature", "°C", "hwmon", "cpu_temperature"),
    ],
)
@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.criterion)
def test_what_is_no_sensor_of_the_role_does_not_spoil_it(
    rule: TemperatureCriterion, other: Channel
) -> None:
    assert rule.judge(seen(absent(other, "no driver gives sensors"))).verdict is Verdict.PASS


def test_where_nothing_was_read_the_reason_is_still_told() -> None:
    nothing = Channel("hwmon::none::", "CPU temperature", "°C", "hwmon", "cpu_temperature")
    data = run_data(channels=(absent(nothing, "no driver gives sensors"),))
    result = TemperatureCeiling(at_most_celsius=90.0).judge(evidence(data))
    assert result.why == "not measured: CPU temperature: no driver gives sensors"


def test_an_input_with_nothing_connected_is_told_with_what_to_do_about_it() -> None:
    floating = ChannelData(SECOND, (), 100, 0, 100)
    for rule in (TemperatureCeiling(at_most_celsius=90.0), SensorCoverage()):
        result = rule.judge(seen(floating))
        assert result.verdict is Verdict.INCONCLUSIVE
        assert "every value was implausible; if nothing is connected there" in result.why
