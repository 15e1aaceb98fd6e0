"""The trials of a run end to end, on invented values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.outliers import RejectionPolicy
from harness.statistics.within_run import (
    BELOW_NOUGHT,
    WorkloadTrials,
    summarise_run,
    summarise_trials,
)

QUIET = [100.1, 99.9, 100.2, 99.8, 100.0, 100.15, 99.95, 100.05]


def test_the_mean_lies_inside_its_limits_and_nothing_is_left_out() -> None:
    found = summarise_trials(QUIET)
    assert found.low is not None and found.mean is not None and found.high is not None
    assert found.low < found.mean < found.high
    assert found.mean == found.mean_all
    assert (found.trials, found.boots, found.scope) == (8, 1, "within one boot")
    assert found.kept == tuple(range(8))
    assert found.reason is None
    assert found.why == "Student's interval of the mean"


def test_the_result_is_given_with_and_without_what_a_cause_rejected() -> None:
    values = [*QUIET[:4], 80.0, *QUIET[4:]]
    causes = [None] * 4 + ["run delay 20 %"] + [None] * 4
    found = summarise_trials(values, causes)
    assert found.rejected == (4,)
    assert found.mean == pytest.approx(np.mean(QUIET))
    assert found.mean_all == pytest.approx(np.mean(values))
    assert found.low_all is not None and found.low is not None
    assert found.low_all < 95.0 < found.low


def test_a_flag_without_a_cause_changes_nothing() -> None:
    found = summarise_trials([*QUIET[:4], 80.0, *QUIET[4:]])
    assert [flag.index for flag in found.flagged] == [4]
    assert (found.rejected, found.mean) == ((), found.mean_all)


def test_blind_rejection_is_an_explicit_policy() -> None:
    found = summarise_trials([*QUIET[:4], 80.0, *QUIET[4:]], policy=RejectionPolicy(blind=True))
    assert found.rejected == (4,)


def test_a_failed_trial_never_enters_and_keeps_its_place() -> None:
    found = summarise_trials([None, *QUIET])
    assert (found.failed, found.trials) == ((0,), 8)
    assert found.kept == tuple(range(1, 9))
    assert found.mean == pytest.approx(np.mean(QUIET))


def test_warm_up_is_left_out_of_the_mean_and_stays_in_the_mean_of_all() -> None:
    found = summarise_trials([90.0, *QUIET])
    assert (found.warm_up, found.warm_up_trials) == (1, (0,))
    assert found.mean == pytest.approx(np.mean(QUIET))
    assert found.mean_all == pytest.approx(np.mean([90.0, *QUIET]))


def test_a_drifting_run_has_a_mean_but_no_interval_and_says_why() -> None:
    found = summarise_trials([100.0 + 0.3 * step for step in range(10)])
    assert found.mean is not None
    assert (found.low, found.high) == (None, None)
    assert found.reason is not None and found.reason.startswith("not steady: the trials drift by")


def test_too_many_rejections_leave_no_interval() -> None:
    values = [*QUIET, 80.0, 80.2]
    policy = RejectionPolicy(rejected_share=0.1)
    found = summarise_trials(values, ["throttling"] * 10, policy=policy)
    assert found.low is None
    assert found.reason is not None and found.reason.startswith("2 of 10 trials were rejected")


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ([], "no trial"),
        ([None, None], "no trial"),
        ([5.0], "1 trial: at least 2 are needed for an interval"),
        ([5.0] * 6, "zero spread: the trials do not differ, so their spread is not known"),
    ],
)
def test_degenerate_trials_give_null_with_a_reason(values: list[float | None], reason: str) -> None:
    found = summarise_trials(values)
    assert (found.low, found.high, found.reason) == (None, None, reason)


def test_all_trials_rejected_blindly_leave_nothing_but_reasons() -> None:
    found = summarise_trials([1.0, 1.0, 1.0, 1.0, 1.0, 50.0], policy=RejectionPolicy(blind=True))
    assert found.rejected == (5,)
    assert found.low is None and found.reason is not None


def test_several_boots_are_the_values_and_not_their_trials() -> None:
    values = [*QUIET, *(value + 1.0 for value in QUIET), *(value - 0.5 for value in QUIET)]
    found = summarise_trials(values, boots=["a"] * 8 + ["b"] * 8 + ["c"] * 8)
    assert (found.boots, found.scope) == (3, "across boots")
    assert found.method == "Student over 3 boots"
    assert found.mean == pytest.approx(np.mean(QUIET) + 0.5 / 3)
    assert found.low is not None and found.high is not None
    assert found.high - found.low > 3.0
    assert (found.median, found.next_trial) == (None, None)


def test_each_boot_has_its_own_warm_up_and_outliers() -> None:
    values = [90.0, *QUIET, 95.0, *(value + 5.0 for value in QUIET[:4]), 80.0, *QUIET[4:]]
    boots = ["a"] * 9 + ["b"] * 10
    found = summarise_trials(values, ["throttling"] * 19, boots=boots)
    assert 0 in found.warm_up_trials
    assert found.boots == 2


def test_boots_must_be_given_for_every_trial() -> None:
    with pytest.raises(ValueError, match="boots has 1 entries for 2 trials"):
        summarise_trials([1.0, 2.0], boots=["a"])


def test_a_run_pools_the_dependence_of_all_its_workloads() -> None:
    generator = np.random.default_rng(5)
    rows = generator.standard_normal((12, 8))
    for trial in range(1, 8):
        rows[:, trial] = 0.6 * rows[:, trial - 1] + 0.8 * rows[:, trial]
    run = {str(index): WorkloadTrials((100.0 + row).tolist()) for index, row in enumerate(rows)}
    found = summarise_run(run)
    used = {item.steadiness.dependence.used for item in found.values()}
    assert len(used) == 1
    assert used.pop() > 0.25
    for item in found.values():
        assert item.effective_trials is not None and item.effective_trials < 6.0


def test_strongly_dependent_trials_get_no_interval() -> None:
    generator = np.random.default_rng(6)
    steps = generator.standard_normal((10, 40))
    for trial in range(1, 40):
        steps[:, trial] = 0.9 * steps[:, trial - 1] + 0.44 * steps[:, trial]
    run = {str(index): WorkloadTrials((100.0 + row).tolist()) for index, row in enumerate(steps)}
    silent = [item for item in summarise_run(run).values() if item.low is None]
    assert len(silent) == 10
    assert any("neighbouring trials depend on each other" in (item.reason or "") for item in silent)


def test_the_median_and_the_next_trial_stand_beside_the_mean() -> None:
    found = summarise_trials(QUIET)
    assert found.median is not None and found.median.low is not None
    assert found.next_trial is not None and found.next_trial.low is not None
    assert found.low is not None
    assert found.next_trial.low < found.low


def test_an_empty_run_is_an_empty_answer() -> None:
    assert summarise_run({}) == {}


@given(
    st.lists(st.one_of(st.none(), st.floats(1.0, 1e5)), max_size=25),
    st.booleans(),
)
def test_every_trial_is_kept_rejected_failed_or_warm_up_and_no_nan_leaks_out(
    values: list[float | None], blind: bool
) -> None:
    found = summarise_trials(values, policy=RejectionPolicy(blind=blind))
    places = [*found.kept, *found.rejected, *found.failed, *found.warm_up_trials]
    assert sorted(places) == list(range(len(values)))
    numbers = (found.mean, found.low, found.high, found.sd, found.mean_all, found.low_all)
    assert all(number is None or np.isfinite(number) for number in numbers)
    assert (found.low is None) == (found.reason is not None)


def test_an_interval_that_would_reach_below_nought_is_not_given() -> None:
    found = summarise_trials([100.0, 1.0, 90.0, 2.0])
    assert (found.low, found.high, found.mean) == (None, None, 48.25)
    assert found.reason == BELOW_NOUGHT
    assert (found.low_all, found.mean_all) == (None, 48.25)
    assert found.next_trial is not None and found.next_trial.low is None


def test_values_on_both_sides_of_nought_keep_their_interval() -> None:
    found = summarise_trials([-1.0, 1.0, -2.0, 2.5])
    assert found.low is not None and found.low < 0.0
