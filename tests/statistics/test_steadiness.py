"""Warm-up and drift; false alarms are counted on invented steady trials."""

from __future__ import annotations

import numpy as np

from harness.statistics.steadiness import SteadinessRule, detect_warm_up, judge_steadiness

STEADY = [100.1, 99.9, 100.2, 99.8, 100.0, 100.15, 99.95, 100.05]


def test_a_slow_first_trial_is_warm_up() -> None:
    assert detect_warm_up([92.0, *STEADY]) == 1


def test_several_trials_on_one_side_are_warm_up() -> None:
    assert detect_warm_up([90.0, 95.0, *STEADY]) == 2


def test_a_fast_start_before_the_clock_drops_is_warm_up_too() -> None:
    assert detect_warm_up([108.0, 106.0, *STEADY]) == 2


def test_a_start_that_straddles_the_level_is_no_warm_up() -> None:
    assert detect_warm_up([92.0, 108.0, *STEADY]) == 0
    assert detect_warm_up(STEADY) == 0


def test_warm_up_never_takes_more_than_its_share_or_leaves_too_few() -> None:
    assert detect_warm_up([1.0, 2.0, 3.0, 4.0, *STEADY]) <= 4
    assert detect_warm_up([90.0, 100.0, 100.1, 99.9]) == 0
    assert detect_warm_up([]) == 0


def test_equal_trials_after_a_different_first_one_make_it_warm_up() -> None:
    assert detect_warm_up([90.0, *[100.0] * 6]) == 1
    assert detect_warm_up([100.0] * 7) == 0


def test_steady_trials_rarely_show_a_warm_up() -> None:
    generator = np.random.default_rng(4)
    rows = generator.normal(100.0, 0.5, size=(3000, 10)).tolist()
    assert sum(detect_warm_up(row) > 0 for row in rows) / 3000 < 0.01


def test_a_climb_over_the_whole_run_is_not_steady_and_its_size_is_stated() -> None:
    found = judge_steadiness([100.0 + 0.2 * step for step in range(10)])
    assert found.steady is False
    assert found.why == "not steady: the trials drift by +1.78 % over the run"
    assert found.drift_percent is not None and 1.7 < found.drift_percent < 1.8


def test_a_significant_but_tiny_drift_leaves_the_series_steady_and_is_named() -> None:
    found = judge_steadiness([100.0 + 0.002 * step for step in range(12)])
    assert found.steady is True
    assert "too small to matter" in found.why


def test_what_three_trials_do_cannot_be_told_apart_from_chance() -> None:
    assert judge_steadiness([100.0, 101.0, 102.0]).steady is True
    found = judge_steadiness([100.0, 101.0])
    assert found.steady is None
    assert found.why == "steadiness cannot be told: fewer than 3 values show no trend"


def test_drift_is_looked_for_after_the_warm_up() -> None:
    found = judge_steadiness([90.0, *STEADY])
    assert (found.warm_up, found.steady) == (1, True)


def test_normal_trials_are_called_unsteady_in_at_most_the_stated_share() -> None:
    generator = np.random.default_rng(6)
    rows = generator.normal(100.0, 0.5, size=(3000, 15)).tolist()
    unsteady = sum(judge_steadiness(row).steady is False for row in rows) / 3000
    assert unsteady < SteadinessRule().drift_level + 0.005
