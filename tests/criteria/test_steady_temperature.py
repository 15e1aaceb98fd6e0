"""Steady temperature: what was still to come when the load ended."""

from __future__ import annotations

import pytest
from evidence_samples import channel, evidence, heating

from harness.criteria.evidence import Heating
from harness.criteria.steady_temperature import SteadyTemperature
from harness.outcome import Verdict

KEY = channel().channel.key


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
