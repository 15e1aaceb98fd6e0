"""Which condition counts as a cause, and how it is worded."""

from __future__ import annotations

import pytest

from harness.statistics.causes import (
    CauseThresholds,
    TrialConditions,
    UsualConditions,
    find_cause,
    usual_end,
)


def test_a_trial_beside_which_nothing_was_measured_has_no_cause() -> None:
    assert find_cause(TrialConditions()) is None


@pytest.mark.parametrize(
    ("conditions", "cause"),
    [
        (TrialConditions(run_delay_share=0.312), "run delay 31.2 % of the trial"),
        (TrialConditions(throttle_events=1), "throttling (1 event)"),
        (TrialConditions(throttle_events=4), "throttling (4 events)"),
        (TrialConditions(clock_percent=92.5), "clock 7.5 % below its usual value"),
        (TrialConditions(temperature_rise_celsius=14.2), "14 °C hotter than usual"),
        (TrialConditions(major_faults=50), "50 page faults from disk"),
    ],
)
def test_each_condition_past_its_threshold_is_a_cause_with_its_number(
    conditions: TrialConditions, cause: str
) -> None:
    assert find_cause(conditions) == cause


def test_conditions_under_their_thresholds_are_no_cause() -> None:
    quiet = TrialConditions(0.004, 0, 99.5, 9.0, 9)
    assert find_cause(quiet) is None


def test_the_most_direct_cause_is_named_first() -> None:
    both = TrialConditions(run_delay_share=0.5, clock_percent=80.0)
    assert find_cause(both) == "run delay 50.0 % of the trial"


def test_thresholds_can_be_stated_otherwise() -> None:
    strict = CauseThresholds(run_delay_share=0.001)
    assert find_cause(TrialConditions(run_delay_share=0.002), strict) is not None


@pytest.mark.parametrize(
    ("conditions", "usual"),
    [
        (TrialConditions(run_delay_share=0.034), UsualConditions(run_delay_share=0.030)),
        (TrialConditions(throttle_events=3), UsualConditions(throttle_events=2.5)),
        (TrialConditions(major_faults=49), UsualConditions(major_faults=40.0)),
    ],
)
def test_what_is_usual_for_the_load_tells_no_trial_apart(
    conditions: TrialConditions, usual: UsualConditions
) -> None:
    assert find_cause(conditions) is not None
    assert find_cause(conditions, usual=usual) is None


def test_the_usual_reaches_three_scaled_median_deviations_from_the_median() -> None:
    # The deviations from 5 are 2 1 0 1 2, whose median is 1.
    assert usual_end([3.0, 4.0, 5.0, 6.0, 7.0]) == pytest.approx(5.0 + 3.0 * 1.4826)
    assert usual_end([3.0, 4.0, 5.0, 6.0, 7.0], lowest=True) == pytest.approx(5.0 - 3.0 * 1.4826)
    assert usual_end([2.0, 2.0, 2.0, 9.0]) == 2.0


def test_an_excess_over_the_usual_is_told_with_the_whole_number() -> None:
    usual = UsualConditions(run_delay_share=0.03)
    found = find_cause(TrialConditions(run_delay_share=0.08), usual=usual)
    assert found == "run delay 8.0 % of the trial"
