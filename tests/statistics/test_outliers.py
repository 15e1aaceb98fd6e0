"""What is flagged, what is rejected, and what never enters; Rosner's data are in published."""

from __future__ import annotations

from statistics import median

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.outliers import RejectionPolicy, generalized_esd, judge_trials

QUIET = [100.1, 99.9, 100.2, 99.8, 100.0, 100.15, 99.95]


def test_a_far_trial_without_a_cause_is_flagged_and_kept() -> None:
    found = judge_trials([*QUIET, 80.0])
    assert [(flag.index, flag.cause) for flag in found.flagged] == [(7, None)]
    assert found.rejected == ()
    assert 7 in found.kept


def test_a_far_trial_with_a_recorded_cause_is_rejected() -> None:
    found = judge_trials([*QUIET, 80.0], [None] * 7 + ["run delay 30 %"])
    assert found.rejected == (7,)
    assert found.flagged[0].cause == "run delay 30 %"
    assert 7 not in found.kept
    assert not found.excessive


def test_nothing_that_slows_a_trial_excuses_a_fast_one() -> None:
    found = judge_trials([*QUIET, 120.0], [None] * 7 + ["run delay 30 %"])
    assert [(flag.index, flag.cause) for flag in found.flagged] == [(7, None)]
    assert found.rejected == ()


def test_of_a_latency_the_high_value_is_the_slow_one() -> None:
    causes = [None] * 7 + ["run delay 30 %"]
    assert judge_trials([*QUIET, 120.0], causes, lower_is_better=True).rejected == (7,)
    assert judge_trials([*QUIET, 80.0], causes, lower_is_better=True).rejected == ()


def test_a_cause_alone_rejects_nothing() -> None:
    found = judge_trials([*QUIET, 100.05], [None] * 7 + ["run delay 30 %"])
    assert found.flagged == ()
    assert found.kept == tuple(range(8))


def test_blind_rejection_happens_only_when_asked_for() -> None:
    assert judge_trials([*QUIET, 80.0], policy=RejectionPolicy(blind=True)).rejected == (7,)


def test_a_failed_check_is_neither_an_outlier_nor_kept() -> None:
    found = judge_trials([*QUIET, None], [None] * 7 + ["run delay 30 %"])
    assert found.failed == (7,)
    assert found.flagged == ()
    assert 7 not in found.kept


def test_positions_count_failed_trials_too() -> None:
    found = judge_trials([None, *QUIET, 80.0], [None] * 8 + ["throttling (3 events)"])
    assert found.rejected == (8,)
    assert found.kept == tuple(range(1, 8))


def test_more_rejections_than_allowed_make_the_result_unusable_with_a_reason() -> None:
    values = [100.1, 99.9, 100.2, 99.8, 100.0, 100.05, 100.15, 99.95, 80.0, 80.2]
    policy = RejectionPolicy(rejected_share=0.1)
    found = judge_trials(values, ["throttling"] * 10, policy)
    assert found.excessive
    assert found.reason == (
        "2 of 10 trials were rejected, more than the 1 that leave a result usable"
    )


def test_two_far_trials_do_not_mask_each_other() -> None:
    values = [100.1, 99.9, 100.2, 99.8, 100.0, 100.05, 100.15, 99.95, 80.0, 80.2]
    assert {flag.index for flag in judge_trials(values).flagged} == {8, 9}


def test_few_or_equal_trials_are_not_flagged() -> None:
    assert judge_trials([100.0, 100.0, 100.0, 50.0]).flagged == ()
    assert judge_trials([100.0] * 8).flagged == ()
    assert judge_trials([]).kept == ()


def test_a_single_deviation_among_equal_trials_is_flagged() -> None:
    assert [flag.index for flag in judge_trials([100.0] * 7 + [90.0]).flagged] == [7]


def test_normal_trials_are_flagged_no_more_often_than_the_stated_significance() -> None:
    generator = np.random.default_rng(3)
    flagged = sum(
        bool(judge_trials(row).flagged) for row in generator.normal(size=(3000, 8)).tolist()
    )
    # At eight values the approximation of the later steps is a little liberal.
    assert 0.03 < flagged / 3000 < 0.075


def test_causes_must_be_given_for_every_trial() -> None:
    with pytest.raises(ValueError, match="causes has 1 entries for 2 trials"):
        judge_trials([1.0, 2.0], ["run delay"])


def test_values_that_are_no_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match=r"values\[1\]=nan: must be finite"):
        judge_trials([1.0, float("nan")])


def test_a_policy_refuses_shares_that_are_no_probability() -> None:
    with pytest.raises(ValueError, match="rejected_share=20"):
        RejectionPolicy(rejected_share=20)


@given(st.lists(st.floats(1.0, 1e6), min_size=0, max_size=30), st.integers(0, 10))
def test_every_verified_trial_is_kept_or_rejected_and_only_flagged_ones_are_rejected(
    values: list[float], failures: int
) -> None:
    trials = [*values, *[None] * failures]
    found = judge_trials(trials, ["cause"] * len(trials))
    assert sorted((*found.kept, *found.rejected)) == list(range(len(values)))
    slow = {flag.index for flag in found.flagged if values[flag.index] <= median(values)}
    assert set(found.rejected) == slow


@given(st.lists(st.floats(1.0, 1e6), min_size=3, max_size=30))
def test_outliers_are_the_first_removed_and_bounded_by_what_was_searched(
    values: list[float],
) -> None:
    found = generalized_esd(values, 3)
    assert len(found.indices) <= 3
    assert len(found.statistics) == len(found.critical_values)
    if found.indices:
        last = len(found.indices) - 1
        assert found.statistics[last] > found.critical_values[last]
