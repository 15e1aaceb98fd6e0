"""Criteria on throughput: floor, spread, not slower than the baseline."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import evidence, load_evidence, load_info
from pydantic import ValidationError
from scipy import stats

from harness.criteria.not_slower import NotSlower
from harness.criteria.spread_ceiling import SpreadCeiling, spread_interval
from harness.criteria.throughput_floor import ThroughputFloor
from harness.outcome import Verdict
from harness.results import Comparison, CriterionResult, WorkloadComparison
from harness.statistics.decision import LimitDecision

# --- floor --------------------------------------------------------------------------------------


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


def test_rejection_for_a_cause_may_settle_a_straddling_interval_and_blind_may_not() -> None:
    disturbed = {"rejected": 1, "low_all": 97.0, "high_all": 101.0}
    assert floor(99.0, **disturbed).verdict is Verdict.PASS
    assert floor(99.0, blind=True, **disturbed).verdict is Verdict.INCONCLUSIVE


def test_a_limit_in_another_unit_decides_nothing() -> None:
    spec = ThroughputFloor(load="spin", at_least=99.0, unit="flop/s")
    result = spec.judge(evidence())
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "spin gives turn/s" in result.why


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


# --- against a baseline -------------------------------------------------------------------------


def compared(ratio: float | None, low: float | None, high: float | None) -> Comparison:
    item = WorkloadComparison(
        "spin", "turn/s", ratio, low, high, "undecided", low, high, 6, 6, 1, 1, None, None, "thin"
    )
    return Comparison(0.95, 1.0, (item,), {}, (), (), "across boots", 1)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (0.985, 1.01, Verdict.PASS),
        (0.97, 1.01, Verdict.INCONCLUSIVE),
        (0.95, 0.97, Verdict.FAIL),
    ],
)
def test_a_share_of_the_baseline_is_judged_by_the_interval_of_the_ratio(
    low: float, high: float, verdict: Verdict
) -> None:
    spec = ThroughputFloor(load="spin", at_least_percent_of_baseline=98.0)
    result = spec.judge(evidence(comparison=compared((low + high) / 2, low, high)))
    assert (result.verdict, result.unit) == (verdict, "%")
    assert result.measured == pytest.approx(50 * (low + high))


def test_without_a_baseline_a_share_of_it_is_not_measured() -> None:
    spec = ThroughputFloor(load="spin", at_least_percent_of_baseline=98.0)
    assert "no baseline was given" in spec.judge(evidence()).why


@pytest.mark.parametrize("verdict", [Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE])
def test_not_slower_takes_the_guarded_verdict_of_the_comparison(verdict: Verdict) -> None:
    result = NotSlower().judge(
        evidence(
            comparison=compared(0.99, 0.97, 1.01),
            not_slower={"spin": LimitDecision(verdict, "")},
        )
    )
    assert result.verdict is verdict
    assert result.limit == pytest.approx(100 / 1.01)
    assert "spin changed by −1.00 %" in result.why


def test_a_load_without_a_ratio_forbids_the_pass_of_the_others() -> None:
    comparison = compared(None, None, None)
    good = replace(comparison.workloads[0], name="roll", ratio=1.0, low=0.999, high=1.001)
    both = replace(comparison, workloads=(good, *comparison.workloads))
    decisions = {"roll": LimitDecision(Verdict.PASS, ""), "spin": LimitDecision(Verdict.PASS, "")}
    result = NotSlower().judge(evidence(comparison=both, not_slower=decisions))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "spin: thin" in result.why


# --- spread -------------------------------------------------------------------------------------


def test_the_interval_of_a_spread_is_that_of_chi_square() -> None:
    # Oracle: scipy.stats.chi2; formula of NIST/SEMATECH e-Handbook 1.3.5.8.
    low, high = spread_interval(2.0, 10, 0.95)
    assert low == pytest.approx(2.0 * (9 / stats.chi2.ppf(0.975, 9)) ** 0.5, rel=1e-12)
    assert high == pytest.approx(2.0 * (9 / stats.chi2.ppf(0.025, 9)) ** 0.5, rel=1e-12)


@pytest.mark.parametrize(
    ("at_most", "verdict"),
    [(2.0, Verdict.PASS), (0.8, Verdict.INCONCLUSIVE), (0.3, Verdict.FAIL)],
)
def test_a_spread_is_judged_with_its_interval(at_most: float, verdict: Verdict) -> None:
    # The six sample trials spread by 0.707 %; chi-square allows 0.44 % to 1.73 %.
    result = SpreadCeiling(at_most_percent=at_most).judge(evidence())
    assert result.verdict is verdict
    assert result.measured == pytest.approx(0.7071, abs=1e-4)


def test_the_widest_spread_decides_and_one_trial_has_none() -> None:
    wild = load_evidence(load_info("wild", 1), (90.0, 110.0, 95.0, 105.0, 99.0, 101.0))
    result = SpreadCeiling(at_most_percent=20.0).judge(evidence(loads=(load_evidence(), wild)))
    assert "trials of wild" in result.why
    single = load_evidence(load_info("single", 1), (100.0,))
    result = SpreadCeiling(at_most_percent=20.0).judge(evidence(loads=(load_evidence(), single)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "single has no spread" in result.why
