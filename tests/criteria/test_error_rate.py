"""Demonstrated error rate: published bounds, the weakest core, time under load."""

from __future__ import annotations

import pytest
from evidence_samples import (
    evidence,
    load_evidence,
    soaked,
    working,
)

from harness.criteria.error_rate import ErrorRate
from harness.criteria.exposure import exposure_of
from harness.outcome import Verdict


# NIST/SEMATECH e-Handbook 8.4.5.1: 800 hours with 2 failures bound the mean time between failures
# below by 127.069 h at 95 % (one-sided); without failure by 267.047 h.
@pytest.mark.parametrize(("failures", "mean_hours"), [(2, 127.0690), (0, 267.0466)])
def test_the_demonstrated_rate_is_the_published_bound(failures: int, mean_hours: float) -> None:
    result = ErrorRate(at_most_per_hour=1 / 127).judge(soaked(800.0, failures))
    assert result.verdict is Verdict.PASS
    assert result.measured == pytest.approx(1 / mean_hours, rel=1e-6)


def test_no_failure_in_too_short_a_time_is_undecided_and_says_what_would_do() -> None:
    result = ErrorRate(at_most_per_hour=0.01).judge(soaked(10.0))
    assert result.verdict is Verdict.INCONCLUSIVE
    # -ln(0.05) / 0.01 = 299.57 hours (e-Handbook 8.3.1.1: factor 3.00 times 100 hours)
    assert "12 d 12 h without another would demonstrate it" in result.why


def test_more_failures_than_the_rate_allows_fail() -> None:
    result = ErrorRate(at_most_per_hour=0.01).judge(soaked(10.0, 5))
    assert result.verdict is Verdict.FAIL
    assert result.low is not None
    assert result.low > 0.01


def test_the_weakest_core_counts_and_core_hours_are_never_added_up() -> None:
    lanes = (working(0, 36_000.0), working(1, 3_600.0))
    for per in ("machine", "core"):
        result = ErrorRate(at_most_per_hour=1.0, per=per).judge(soaked(10.0, lanes=lanes))
        # -ln(0.05) errors in the one hour of CPU 5; eleven core-hours would show 0.27 an hour.
        assert result.verdict is Verdict.INCONCLUSIVE
        assert result.measured == pytest.approx(2.9957, rel=1e-4)
    assert "steady on CPU 5" in result.why


def test_a_fail_needs_errors_enough_for_the_longest_time_any_core_was_under_the_load() -> None:
    lanes = (working(0, 36_000.0), working(1, 360.0))
    # chi2(0.05; 4) / 2 = 0.355 errors: 3.55 an hour in 0.1 h, but 0.0355 an hour in 10 h.
    result = ErrorRate(at_most_per_hour=0.1).judge(soaked(10.0, 2, lanes=lanes))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert result.low == pytest.approx(0.0355, rel=1e-2)


def test_an_error_on_a_core_that_verified_nothing_shows_no_rate() -> None:
    judged = soaked(10.0, 1, lanes=(working(0, 36_000.0), working(1, 36_000.0, verified=0)))
    result = ErrorRate(at_most_per_hour=1.0).judge(judged)
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "no verified pass" in result.why


def test_trials_count_as_time_under_load_too() -> None:
    done = exposure_of(load_evidence(), evidence())
    assert done.machine_hours == pytest.approx(6 * 3.0 / 3600)
    assert list(done.cores) == ["CPU 4", "CPU 5"]
