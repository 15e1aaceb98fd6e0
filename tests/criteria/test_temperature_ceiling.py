"""Temperature ceiling: largest reading, accuracy as guard band, coverage."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import channel, evidence, run_data

from harness.criteria.temperature_ceiling import TemperatureCeiling
from harness.outcome import Verdict
from harness.results import Channel, ChannelData, CriterionResult

KEY = channel().channel.key


def ceiling(peak: float, **keys: Any) -> CriterionResult:
    data = run_data(channels=(channel(peak=peak),))
    return TemperatureCeiling(at_most_celsius=80.0, **keys).judge(evidence(data))


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


def test_a_reading_just_over_the_ceiling_is_not_rounded_down_to_it() -> None:
    seen = channel(peak=80.04)
    result = TemperatureCeiling(at_most_celsius=80.0).judge(evidence(run_data(channels=(seen,))))
    assert result.verdict is Verdict.FAIL
    assert "reached 80.04 °C, above the ceiling of 80 °C" in result.why
