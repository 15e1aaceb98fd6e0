"""Trials until the interval is narrow enough; the oracle is scipy's Student interval."""

from __future__ import annotations

import pytest
from scipy import stats

from harness.phases.narrowness import narrow_enough
from tests.acting import load

RATES = (100.0, 100.6, 99.5, 100.2, 99.8, 100.1)


def half_width_percent(rates: tuple[float, ...], confidence: float) -> float:
    quantile = stats.t.ppf(0.5 + confidence / 2, len(rates) - 1)
    return float(100.0 * quantile * stats.sem(rates) / (sum(rates) / len(rates)))


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_trials_end_where_students_half_width_at_the_profiles_confidence_is_reached(
    confidence: float,
) -> None:
    width = half_width_percent(RATES, confidence)
    for target, ends in ((width * 1.001, True), (width * 0.999, False)):
        asked = load(trials=20, minimum_trials=4, half_width_percent=target, confidence=confidence)
        assert narrow_enough(asked, RATES) is ends


def test_never_under_the_minimum_and_never_beyond_the_maximum() -> None:
    wide = load(trials=6, minimum_trials=3, half_width_percent=1e-6)
    easy = load(trials=20, minimum_trials=3, half_width_percent=50.0)
    assert [narrow_enough(easy, RATES[:count]) for count in (0, 1, 2, 3)] == [False] * 3 + [True]
    assert [narrow_enough(wide, RATES[:count]) for count in (3, 5, 6)] == [False, False, True]


def test_equal_trials_have_no_interval_and_go_on() -> None:
    asked = load(trials=20, minimum_trials=3, half_width_percent=50.0)
    assert not narrow_enough(asked, (100.0,) * 5)


def test_a_fixed_number_of_trials_is_never_cut_short() -> None:
    assert not narrow_enough(load(trials=20, minimum_trials=20), RATES)
