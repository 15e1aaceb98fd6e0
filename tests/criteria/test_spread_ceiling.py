"""Spread ceiling: the chi-square interval of the coefficient of variation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evidence_samples import evidence, load_evidence, load_info
from scipy import stats

from harness.criteria.evidence import LoadEvidence
from harness.criteria.spread_ceiling import SpreadCeiling, spread_interval
from harness.outcome import Verdict


def test_the_interval_of_a_spread_is_that_of_chi_square() -> None:
    # Oracle: scipy.stats.chi2; formula of NIST/SEMATECH e-Handbook 1.3.5.8.
    low, high = spread_interval(2.0, 9, 0.95)
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


def test_equal_values_show_the_resolution_and_no_spread() -> None:
    same = load_evidence(load_info("same", 1), (100.0, 100.0, 100.0))
    result = SpreadCeiling(at_most_percent=5.0).judge(evidence(loads=(load_evidence(), same)))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "3 trials of same gave the very same value" in result.why


def test_over_several_boots_the_spread_within_them_is_judged() -> None:
    # Boots 10 % apart whose trials lie within 0.5 % of each other; oracle: numpy by boot.
    boots = ((100.0, 100.5, 99.5), (110.0, 110.5, 109.5, 110.0))
    load = load_evidence(rates=[value for boot in boots for value in boot])
    numbers = [number for number, boot in enumerate(boots, start=1) for _ in boot]
    points = tuple(
        replace(point, boot=number)
        for point, number in zip(load.result.points, numbers, strict=True)
    )
    load = replace(load, result=replace(load.result, points=points))
    variance = sum(float(np.var(boot, ddof=1)) * (len(boot) - 1) for boot in boots) / 5
    expected = 100 * variance**0.5 / float(np.mean([value for boot in boots for value in boot]))
    result = SpreadCeiling(at_most_percent=2.0).judge(evidence(loads=(load,)))
    assert result.verdict is Verdict.PASS
    assert result.measured == pytest.approx(expected, rel=1e-12)
    low, high = spread_interval(expected, 5, 0.95)
    assert (result.low, result.high) == pytest.approx((low, high))
    assert "within 2 boots" in result.why


def test_one_trial_in_each_boot_has_no_spread_within_any() -> None:
    load = load_evidence(rates=(100.0, 110.0))
    points = tuple(replace(point, boot=n) for n, point in enumerate(load.result.points))
    load = replace(load, result=replace(load.result, points=points))
    result = SpreadCeiling(at_most_percent=50.0).judge(evidence(loads=(load,)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "no boot has two valid trials" in result.why


def rejecting(rates: tuple[float, ...], left_out: float) -> LoadEvidence:
    """A load whose trial of this value was rejected."""
    load = load_evidence(rates=rates)
    points = tuple(
        replace(point, state="rejected") if point.value == left_out else point
        for point in load.result.points
    )
    return replace(load, result=replace(load.result, points=points, rejected=1))


CLOSE = (100.0, 100.1, 99.9, 100.05, 99.95, 100.02)


@pytest.mark.parametrize(
    ("outlier", "at_most", "verdict"),
    [
        # With the trial of 80 the spread is 7.8 %, without it 0.07 %.
        (80.0, 1.0, Verdict.INCONCLUSIVE),
        (80.0, 20.0, Verdict.PASS),
        (80.0, 0.03, Verdict.FAIL),
        (100.2, 1.0, Verdict.PASS),
    ],
)
def test_leaving_a_trial_out_is_no_way_to_repeat_closely(
    outlier: float, at_most: float, verdict: Verdict
) -> None:
    load = rejecting((*CLOSE, outlier), outlier)
    result = SpreadCeiling(at_most_percent=at_most).judge(evidence(loads=(load,)))
    assert result.verdict is verdict
    assert result.measured == pytest.approx(100 * np.std(CLOSE, ddof=1) / np.mean(CLOSE))
    if verdict is Verdict.INCONCLUSIVE:
        assert "pass without the rejected trials, fail with them" in result.why


def test_the_limit_is_told_as_it_was_stated() -> None:
    # The six sample trials spread by 0.7071 %, of which chi-square allows 1.734 %.
    assert "; 1.25 % is accepted" in SpreadCeiling(at_most_percent=1.25).judge(evidence()).why
    beside = SpreadCeiling(at_most_percent=1.733).judge(evidence()).why
    assert "0.44 % to 1.734 %; 1.733 % is accepted" in beside
