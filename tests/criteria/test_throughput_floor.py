"""Throughput floor: absolute, for latencies, and against a baseline."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import evidence, load_evidence, load_info
from pydantic import ValidationError
from scipy import stats

from harness.criteria.throughput_floor import ThroughputFloor
from harness.outcome import Verdict
from harness.results import CriterionResult


def floor(at_least: float, **result: Any) -> CriterionResult:
    spec = ThroughputFloor(load="spin", at_least=at_least, unit="turn/s")
    blind = result.pop("blind", False)
    return spec.judge(evidence(loads=(load_evidence(**result),), blind=blind))


@pytest.mark.parametrize(
    ("at_least", "verdict"),
    [(99.0, Verdict.PASS), (100.0, Verdict.INCONCLUSIVE), (101.0, Verdict.FAIL)],
)
def test_the_interval_of_the_mean_is_the_guard_band(at_least: float, verdict: Verdict) -> None:
    result = floor(at_least)
    assert result.verdict is verdict
    assert (result.measured, result.limit, result.unit) == (100.0, at_least, "turn/s")
    # Oracle: scipy's Student interval of the six trials.
    low, high = stats.t.interval(0.95, 5, 100.0, stats.sem((101.0, 100, 99, 100.5, 99.5, 100)))
    assert (result.low, result.high) == pytest.approx((low, high))


def test_where_rejection_alone_decides_the_verdict_is_undecided() -> None:
    disturbed = {"rejected": 1, "low_all": 97.0, "high_all": 98.0}
    assert floor(99.0, **disturbed).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("blind", [False, True])
def test_rejection_does_not_settle_what_straddles_with_every_trial(blind: bool) -> None:
    disturbed = {"rejected": 1, "low_all": 97.0, "high_all": 101.0}
    result = floor(99.0, blind=blind, **disturbed)
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "pass without the rejected trials, inconclusive with them" in result.why
    kept = {"rejected": 1, "low_all": 99.2, "high_all": 101.0}
    assert floor(99.0, blind=blind, **kept).verdict is Verdict.PASS


def test_a_limit_in_another_unit_decides_nothing() -> None:
    spec = ThroughputFloor(load="spin", at_least=99.0, unit="flop/s")
    result = spec.judge(evidence())
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "spin gives turn/s" in result.why


@pytest.mark.parametrize(
    ("at_least", "verdict"),
    [(0.099, Verdict.PASS), (0.1, Verdict.INCONCLUSIVE), (0.101, Verdict.FAIL)],
)
def test_a_limit_may_have_the_prefix_that_the_report_prints(
    at_least: float, verdict: Verdict
) -> None:
    spec = ThroughputFloor(load="spin", at_least=at_least, unit="kturn/s")
    result = spec.judge(evidence())
    assert result.verdict is verdict
    assert (result.measured, result.unit) == (100.0, "turn/s")
    assert result.limit == pytest.approx(1000 * at_least)


def latency() -> Any:
    load = load_evidence(load_info("late", lower_is_better=True), (9.9, 10.0, 10.1))
    return replace(load, result=replace(load.result, unit="s/load"))


@pytest.mark.parametrize(("at_most", "verdict"), [(11.0, Verdict.PASS), (9.0, Verdict.FAIL)])
def test_a_latency_has_a_ceiling_instead_of_a_floor(at_most: float, verdict: Verdict) -> None:
    spec = ThroughputFloor(load="late", at_most=at_most, unit="s/load")
    assert spec.judge(evidence(loads=(latency(),))).verdict is verdict


def test_a_floor_for_a_latency_is_refused_with_the_remedy() -> None:
    spec = ThroughputFloor(load="late", at_least=11.0, unit="s/load")
    result = spec.judge(evidence(loads=(latency(),)))
    assert result.measured is None
    assert "needs at_most" in result.why


def test_an_unavailable_load_is_not_tested_when_optional() -> None:
    load = load_evidence(load_info(available=False, reason="no compiler"), ())
    spec = ThroughputFloor(load="spin", at_least=1.0, unit="turn/s", required=False)
    result = spec.judge(evidence(loads=(load,)))
    assert result.verdict is Verdict.NOT_TESTED
    assert "no compiler" in result.why


@pytest.mark.parametrize(
    "keys",
    [{}, {"at_least": 1.0, "at_most": 2.0, "unit": "x"}, {"at_least": 1.0}],
)
def test_exactly_one_floor_with_its_unit_must_be_given(keys: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        ThroughputFloor(load="spin", **keys)
