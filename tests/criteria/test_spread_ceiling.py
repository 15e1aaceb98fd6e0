"""Spread ceiling: the chi-square interval of the coefficient of variation."""

from __future__ import annotations

import pytest
from evidence_samples import evidence, load_evidence, load_info
from scipy import stats

from harness.criteria.spread_ceiling import SpreadCeiling, spread_interval
from harness.outcome import Verdict


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
