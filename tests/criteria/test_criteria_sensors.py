"""Criteria on sensors: ceiling, margin, steadiness, coverage, clock."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import channel, evidence, lane, load_evidence, run_data, soak, trial

from harness.criteria.clock_floor import ClockFloor
from harness.criteria.evidence import Heating, Room
from harness.criteria.sensor_coverage import SensorCoverage
from harness.criteria.steady_temperature import SteadyTemperature
from harness.criteria.temperature_ceiling import TemperatureCeiling
from harness.criteria.temperature_margin import TemperatureMargin
from harness.outcome import Verdict
from harness.results import Channel, ChannelData, CriterionResult

KEY = channel().channel.key


def ceiling(peak: float, **keys: Any) -> CriterionResult:
    data = run_data(channels=(channel(peak=peak),))
    return TemperatureCeiling(at_most_celsius=80.0, **keys).judge(evidence(data))


# --- ceiling ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("peak", "verdict"), [(79.9, Verdict.PASS), (80.0, Verdict.PASS), (80.1, Verdict.FAIL)]
)
def test_the_largest_reading_decides_where_accuracy_is_not_known(
    peak: float, verdict: Verdict
) -> None:
    result = ceiling(peak)
    assert (result.verdict, result.measured, result.limit) == (verdict, peak, 80.0)
    assert result.uncertainty == "largest reading, sensor accuracy not known"


@pytest.mark.parametrize(
    ("peak", "verdict"),
    [(76.9, Verdict.PASS), (78.0, Verdict.INCONCLUSIVE), (82.0, Verdict.INCONCLUSIVE),
     (83.1, Verdict.FAIL)],
)  # fmt: skip
def test_a_known_accuracy_is_the_guard_band(peak: float, verdict: Verdict) -> None:
    # ISO 14253-1: conformity only where the whole of reading +- accuracy conforms.
    assert ceiling(peak, sensor_accuracy_celsius=3.0).verdict is verdict


def test_the_hottest_of_several_channels_decides() -> None:
    hot = replace(channel(peak=85.0), channel=Channel("k2", "die 2", "°C", "h", "cpu_temperature"))
    data = run_data(channels=(channel(peak=60.0), hot))
    result = TemperatureCeiling(at_most_celsius=80.0).judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 85.0)
    assert "die 2" in result.why


def test_a_channel_seen_too_little_cannot_pass_but_can_fail() -> None:
    for peak, verdict in ((70.0, Verdict.INCONCLUSIVE), (85.0, Verdict.FAIL)):
        data = run_data(channels=(channel(peak=peak, samples=80, missing=20),))
        result = TemperatureCeiling(at_most_celsius=80.0).judge(evidence(data))
        assert result.verdict is verdict


def test_an_absent_channel_gives_its_own_reason() -> None:
    gone = Channel("k", "CPU", "°C", "hwmon", "cpu_temperature", absent_reason="EIO since 12 s")
    data = run_data(channels=(ChannelData(gone, (), 0, 50, 0),))
    result = TemperatureCeiling(at_most_celsius=80.0, required=False).judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.NOT_TESTED, None)
    assert "EIO since 12 s" in result.why


def test_a_channel_may_be_named_by_role_key_pattern_or_name() -> None:
    for role in ("cpu_temperature", KEY, "hwmon:*", "cpu temperature"):
        spec = TemperatureCeiling(at_most_celsius=80.0, role=role)
        assert spec.judge(evidence()).verdict is Verdict.PASS


# --- margin -------------------------------------------------------------------------------------


def heating(**more: Any) -> Heating:
    values: dict[str, Any] = {
        "load": "steady",
        "channel": KEY,
        "highest_celsius": 71.0,
        "steady_celsius": 75.0,
        "steady_low": 73.0,
        "steady_high": 77.0,
        "rise_left_celsius": 4.0,
        "rise_left_low": 2.0,
        "rise_left_high": 6.0,
    }
    return Heating(**{**values, **more})


def margin(**more: Any) -> CriterionResult:
    keys = {"at_least_celsius": 10.0, **more.pop("keys", {})}
    return TemperatureMargin(**keys).judge(evidence(**more))


def test_without_a_fit_the_margin_is_from_the_largest_reading() -> None:
    result = margin()
    assert (result.verdict, result.measured) == (Verdict.PASS, 95.0 - 71.0)
    assert result.low is None


def test_a_fit_foresees_the_heat_still_to_come_with_its_interval() -> None:
    result = margin(heating=(heating(),))
    assert (result.measured, result.low, result.high) == (20.0, 18.0, 22.0)


def test_a_fit_never_makes_the_margin_larger_than_what_was_read() -> None:
    cool = heating(steady_celsius=60.0, steady_low=58.0, steady_high=62.0)
    result = margin(heating=(cool,))
    assert (result.measured, result.high) == (24.0, 24.0)


def test_a_hot_day_adds_the_difference_of_the_rooms() -> None:
    # Linear heat conduction: the rise over the room does not depend on the room. Worked example
    # with theta_JA = 18.3 °C/W (Si5382 configuration report): at 0.876 W the junction is at
    # 41.03 °C in a room of 25 °C, hence 101.03 °C in a room of 85 °C.
    data = run_data(channels=(channel(peak=25.0 + 0.876 * 18.3),))
    result = margin(
        data=data, room=Room(25.0, 85.0), keys={"when": "hot-day", "limit_celsius": 125.0}
    )
    assert result.measured == pytest.approx(125.0 - 101.03, abs=0.005)


def test_an_interval_across_the_limit_is_undecided() -> None:
    result = margin(heating=(heating(),), keys={"at_least_celsius": 19.0})
    assert result.verdict is Verdict.INCONCLUSIVE


def test_no_hot_day_without_a_room_temperature() -> None:
    result = margin(keys={"when": "hot-day"})
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "declares no ambient_celsius" in result.why


def test_no_margin_is_claimed_where_the_temperature_was_held_by_control() -> None:
    held = heating(held_by_control=True, reason="held by control: the fan followed")
    result = margin(heating=(held,))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "held by control" in result.why


def test_no_margin_without_a_limit() -> None:
    assert margin(stop_above_celsius=None).measured is None


# --- steady temperature -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("limit", "verdict"),
    [(7.0, Verdict.PASS), (4.0, Verdict.INCONCLUSIVE), (1.0, Verdict.FAIL)],
)
def test_the_rise_still_to_come_is_judged_with_its_interval(limit: float, verdict: Verdict) -> None:
    spec = SteadyTemperature(rise_left_at_most_celsius=limit)
    result = spec.judge(evidence(heating=(heating(),)))
    assert (result.verdict, result.measured) == (verdict, 4.0)


def test_a_soak_too_short_to_fit_cannot_be_covered_up_by_another() -> None:
    short = Heating("brief", KEY, 60.0, reason="too short to fit")
    settled = heating(rise_left_celsius=0.1, rise_left_low=0.0, rise_left_high=0.2)
    result = SteadyTemperature().judge(evidence(heating=(settled, short)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "too short to fit" in result.why


# --- coverage -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("missing", "flagged", "share", "verdict"),
    [(0, 0, 100.0, Verdict.PASS), (5, 0, 95.0, Verdict.PASS), (5, 1, 94.0, Verdict.FAIL)],
)
def test_missing_and_implausible_samples_both_lower_the_coverage(
    missing: int, flagged: int, share: float, verdict: Verdict
) -> None:
    seen = channel(samples=100 - missing, missing=missing, flagged=flagged)
    result = SensorCoverage().judge(evidence(run_data(channels=(seen,))))
    assert (result.verdict, result.measured) == (verdict, share)


# --- clock --------------------------------------------------------------------------------------


def clocks(*readings: float | None) -> CriterionResult:
    trials = tuple(
        trial(number, 100.0, lanes=(lane(0), lane(1, clock_hz=reading)))
        for number, reading in enumerate(readings)
    )
    load = replace(load_evidence(), trials=trials)
    return ClockFloor(at_least_ghz=3.0).judge(evidence(loads=(load,)))


@pytest.mark.parametrize(
    ("lowest", "verdict"),
    [(3.1e9, Verdict.PASS), (3.01e9, Verdict.INCONCLUSIVE), (2.9e9, Verdict.FAIL)],
)
def test_the_slowest_core_decides_with_the_accuracy_of_the_clock(
    lowest: float, verdict: Verdict
) -> None:
    result = clocks(3.6e9, lowest)
    assert (result.verdict, result.measured) == (verdict, lowest / 1e9)
    assert "core 5 in spin (trial 1)" in result.why


def test_a_core_without_a_measured_clock_is_left_out() -> None:
    assert clocks(None, 3.5e9).measured == 3.5


def test_clocks_measured_during_soaks_count_too() -> None:
    slow = soak(60.0, lanes=(lane(0, clock_hz=2.0e9),))
    load = replace(load_evidence(), soaks=(slow,))
    assert ClockFloor(at_least_ghz=3.0).judge(evidence(loads=(load,))).measured == 2.0
