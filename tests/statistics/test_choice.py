"""Which interval is chosen, and the reason given."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.statistics.choice import choose_interval, is_skewed, skewness_of, skewness_p_value

#: The quantiles of a skewed distribution: no single value makes them so.
SKEWED = [-math.log(1.0 - (place + 0.5) / 30) for place in range(30)]


def test_few_trials_always_get_students_interval() -> None:
    found = choose_interval(SKEWED[:12])
    assert found.interval.method == "Student"


def test_many_skewed_trials_get_the_bootstrap_with_the_reason() -> None:
    found = choose_interval(SKEWED)
    assert found.interval.method == "BCa bootstrap"
    assert found.why == "the trials are skewed: BCa bootstrap interval of the mean"
    assert found.interval.low is not None and found.interval.high is not None
    mean = float(np.mean(SKEWED))
    assert found.interval.high - mean > mean - found.interval.low


def test_the_same_trials_get_the_same_bootstrap_limits_every_time() -> None:
    assert choose_interval(SKEWED) == choose_interval(SKEWED)


def test_dependent_skewed_trials_are_widened_about_the_mean() -> None:
    plain = choose_interval(SKEWED).interval
    wide = choose_interval(SKEWED, effective_count=10.0).interval
    assert plain.half_width is not None and wide.half_width is not None
    assert wide.half_width == pytest.approx(plain.half_width * math.sqrt(3.0))


def test_one_far_trial_does_not_make_a_sample_skewed() -> None:
    values = np.random.default_rng(2).normal(size=25).tolist()
    p_value = skewness_p_value([*values, 12.0])
    assert p_value is not None and p_value < 1e-4
    assert not is_skewed([*values, 12.0])


def test_degenerate_trials_pass_their_reason_on() -> None:
    found = choose_interval([1.0])
    assert found.interval.low is None
    assert found.why == "1 trial: at least 2 are needed for an interval"
    assert skewness_of([2.0, 2.0, 2.0]) is None
    assert skewness_p_value([1.0, 2.0, 4.0]) is None


def test_normal_trials_are_rarely_called_skewed() -> None:
    rows = np.random.default_rng(3).normal(size=(2000, 25)).tolist()
    assert sum(is_skewed(row) for row in rows) / 2000 < 0.04
