"""Steady temperature: what was still to come when the load ended."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import channel, evidence, heating, run_data

from harness.criteria.evidence import Heating
from harness.criteria.steady_temperature import SteadyTemperature
from harness.outcome import Verdict

KEY = channel().channel.key
SETTLED = heating(rise_left_celsius=0.1, rise_left_low=0.0, rise_left_high=0.2)


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
    result = SteadyTemperature().judge(evidence(heating=(SETTLED, short)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "too short to fit" in result.why


@pytest.mark.parametrize(
    ("required", "verdict"), [(True, Verdict.INCONCLUSIVE), (False, Verdict.NOT_TESTED)]
)
def test_a_channel_whose_fit_was_refused_is_not_tested_and_never_passes(
    required: bool, verdict: Verdict
) -> None:
    refused = Heating("steady", KEY, 60.0, reason="held by control: the clock moved")
    result = SteadyTemperature(required=required).judge(evidence(heating=(refused,)))
    assert (result.verdict, result.measured) == (verdict, None)
    assert result.why == "not measured: steady: held by control: the clock moved"


@pytest.mark.parametrize(
    ("required", "verdict"), [(True, Verdict.INCONCLUSIVE), (False, Verdict.NOT_TESTED)]
)
def test_a_channel_without_any_fit_is_not_covered_up_by_one_that_settled(
    required: bool, verdict: Verdict
) -> None:
    other = channel()
    other = replace(other, channel=replace(other.channel, key="hwmon:isa:second", name="die 2"))
    data = run_data(channels=(channel(), other))
    spec = SteadyTemperature(required=required)
    assert spec.judge(evidence(heating=(SETTLED,))).verdict is Verdict.PASS
    result = spec.judge(evidence(data, heating=(SETTLED,)))
    assert (result.verdict, result.measured) == (verdict, None)
    assert "die 2: no fit shows where its temperature ends" in result.why


def test_without_a_fit_of_any_channel_the_reason_is_that_of_the_run() -> None:
    result = SteadyTemperature(required=False).judge(evidence())
    assert result.verdict is Verdict.NOT_TESTED
    assert "no soak was long enough to fit its temperature" in result.why


def test_a_channel_that_never_gave_a_value_is_told_by_name() -> None:
    silent = replace(channel(), samples=0, envelopes=(), missing_reason="no reply")
    result = SteadyTemperature().judge(evidence(run_data(channels=(silent,))))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "no reply" in result.why
