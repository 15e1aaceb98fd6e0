"""Where further trials would fall: one sentence a benchmark, with coverage and confidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from evidence_samples import RATES, load_evidence, load_info, run_data, trial

from harness.criteria.evidence import LoadEvidence
from harness.judgement.analysis import analyse
from harness.judgement.further_trials import further_trials
from harness.results import TrialData
from harness.statistics.within_run import summarise_trials


def timed(trials: Sequence[TrialData]) -> LoadEvidence:
    boots = [str(item.boot) for item in trials]
    found = summarise_trials([item.rate for item in trials], boots=boots)
    return replace(load_evidence(), trials=tuple(trials), statistics=found)


def test_the_interval_is_the_published_factor_times_the_spread() -> None:
    (statement,) = further_trials((load_evidence(),), 0.95)
    # Six trials of mean 100 and standard deviation 0.7071; exact two-sided factor for 95 % with
    # 95 % confidence 4.422 (ISO 16269-6:2014, from memory; older tables print 4.414).
    assert np.std(RATES, ddof=1) == pytest.approx(0.7071, abs=1e-4)
    assert statement.text == (
        "spin: at least 95 % of further trials in this boot would fall between 96.87 turn/s and "
        "103.1 turn/s (tolerance interval with 95 % confidence, from 6 trials)."
    )
    assert "scatter normally" in statement.assumptions


def test_a_judged_run_states_it_for_each_benchmark_and_for_no_soak() -> None:
    stated = [item for item in analyse(run_data()).statements if item.topic == "further trials"]
    assert [item.text.partition(":")[0] for item in stated] == ["spin"]


def test_over_several_boots_it_speaks_of_the_means_of_further_boots() -> None:
    levels = (100.0, 101.0, 99.5, 100.5)
    trials = [
        trial(3 * boot + number, level + 0.1 * (number - 1), boot=boot + 1)
        for boot, level in enumerate(levels)
        for number in range(3)
    ]
    text = further_trials((timed(trials),), 0.95)[0].text
    # Means 100, 101, 99.5, 100.5: mean 100.25, standard deviation 0.6455, factor 6.371 for four.
    assert "the means of further boots would fall between 96.1" in text
    assert "from 4 boots" in text


def test_one_trial_and_a_drift_are_told_with_their_reason() -> None:
    one = further_trials((timed([trial(0, 100.0)]),), 0.95)[0].text
    assert "is not known: 1 trial: at least 2 are needed" in one
    drifting = [trial(number, 100.0 + 2.0 * number) for number in range(12)]
    assert "is not known: not steady" in further_trials((timed(drifting),), 0.95)[0].text


def test_limits_that_would_reach_below_nought_are_not_shown() -> None:
    wild = [trial(number, rate) for number, rate in enumerate((100.0, 140.0, 70.0, 110.0))]
    text = further_trials((timed(wild),), 0.95)[0].text
    assert text.endswith("is not known: 4 trials of such spread are too few.")


def test_a_load_that_was_not_timed_makes_no_statement() -> None:
    assert further_trials((load_evidence(load_info("steady", 1, trials=0), ()),), 0.95) == ()


def test_limits_without_an_assumed_shape_are_not_said_to_assume_one() -> None:
    # Skewed by construction, in an order without drift; 120 are more than the 93 of Wilks (1941).
    rates = 100.0 + 5.0 * np.random.default_rng(3).exponential(size=120)
    trials = [trial(number, float(rate)) for number, rate in enumerate(rates)]
    (statement,) = further_trials((timed(trials),), 0.95)
    assert "tolerance, smallest to largest trial interval" in statement.text
    assert "scatter normally" not in statement.assumptions
    assert "assumes no shape of the scatter" in statement.assumptions
