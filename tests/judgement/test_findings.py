"""What is said of trials that stood out: why each was left out, or kept."""

from __future__ import annotations

from dataclasses import replace

from harness.judgement.findings import findings_of
from harness.statistics.outliers import FlaggedTrial, RejectionPolicy
from harness.statistics.within_run import TrialStatistics, summarise_trials

QUIET = [100.1, 99.9, 100.2, 99.8, 100.0, 100.15, 99.95, 100.05, 99.85, 100.1]


def told(statistics: TrialStatistics) -> str:
    return "; ".join(findings_of(statistics, "GB/s"))


def test_a_slow_trial_with_a_cause_beside_a_fast_one_without_is_left_out_for_its_cause() -> None:
    values = [*QUIET, 60.0, 140.0]
    causes = [None] * len(QUIET) + ["run delay 30 %", "run delay 30 %"]
    statistics = summarise_trials(values, causes)
    assert statistics.rejected == (10,)
    assert {flag.index: flag.cause for flag in statistics.flagged}[11] is None
    text = told(statistics)
    assert "1 trial stood out and was left out for a recorded cause" in text
    assert "1 trial stood out without a cause that explains it and was kept" in text


def test_only_blind_rejection_is_said_to_be_what_the_profile_asks() -> None:
    blind = summarise_trials([*QUIET, 60.0], policy=RejectionPolicy(blind=True))
    assert "left out without a recorded cause, as the profile asks" in told(blind)
    flagged = (FlaggedTrial(10, "run delay 30 %"),)
    assert "for a recorded cause" in told(replace(blind, flagged=flagged))
