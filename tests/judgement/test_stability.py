"""Stability statements: what quiet hours prove, in plain words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import evidence, failure, load_evidence, load_info, run_data, soak, working

from harness.criteria.evidence import Evidence
from harness.judgement.stability import stability_statements
from harness.results import FailureKind, SoakData

INFO = load_info("steady", 0, workload="spin", trials=0)


def judged(long: SoakData, failures: int = 0) -> Evidence:
    failed = tuple(failure(at_seconds=200.0) for _ in range(failures))
    data = run_data(loads=(INFO,), trials=(), soaks=(long,), failures=failed)
    return evidence(data, loads=(load_evidence(INFO, (), (long,)),))


def soaked(seconds: float, failures: int = 0) -> Evidence:
    return judged(soak(seconds, 0), failures)


def test_ten_quiet_minutes_are_told_for_what_they_are() -> None:
    load, closing = stability_statements(soaked(600.0))
    # T / -ln(0.05) = 600 s / 2.9957 = 200.3 s (e-Handbook 8.4.5.1, no failure)
    assert "no error, with 10 min 00 s in verified passes on each of 2 cores" in load.text
    assert "at most one error per 3 min 20 s of this load" in load.text
    assert "quick screen" in closing.text
    assert "run it for 300 hours without an error" in closing.text
    assert "independently" in load.assumptions


def test_a_long_soak_is_no_screen() -> None:
    statements = stability_statements(soaked(8 * 3600.0))
    assert "quick screen" not in statements[-1].text
    assert "300 hours" in statements[-1].text


def test_failures_are_counted_and_the_weakest_core_is_named() -> None:
    statements = stability_statements(soaked(3600.0, 2))
    assert len(statements) == 1
    # chi2(0.95; 6) / 2 = 6.2958 errors an hour: one per 9 min 32 s
    assert "2 errors, with 1 h 00 min in verified passes" in statements[0].text
    assert "one error per 9 min 32 s" in statements[0].text
    # -ln(0.05) = 2.9957 errors an hour: one per 20 min 02 s
    assert (
        "The weakest is CPU 5: 2 errors, at most one per 9 min 32 s; "
        "every other core by itself at most one per 20 min 02 s." in statements[0].text
    )


def test_a_pass_is_wrong_at_most_so_often() -> None:
    text = stability_statements(soaked(600.0))[0].text
    # 30 passes on each core: 0.05 ** (1 / 30) = 90.497 % (Clopper-Pearson, no failure)
    assert "success rate per pass, on whichever core: at least 90.4 %" in text
    assert "a single pass is wrong in at most 9.6 % of cases" in text


def test_a_million_passes_are_told_with_digits_enough_and_never_as_a_hundred_percent() -> None:
    lanes = tuple(working(number, 600.0, verified=1_000_000) for number in (0, 1))
    text = stability_statements(judged(soak(600.0, 0, lanes=lanes)))[0].text
    # 1 - 0.05 ** 1e-6 = 2.9957e-4 %
    assert "at least 99.99970 %" in text
    assert "wrong in at most 0.00030 % of cases" in text


def test_the_core_with_the_least_time_sets_the_bound_and_is_named() -> None:
    lanes = (working(0, 3600.0), working(1, 600.0))
    text = stability_statements(judged(soak(3600.0, 0, lanes=lanes)))[0].text
    assert "10 min 00 s in verified passes on CPU 5, which has the least" in text
    assert "at most one error per 3 min 20 s" in text
    assert "holds for each core by itself" in text


def test_the_planners_inverse_is_told_for_hours_and_for_passes() -> None:
    closing = stability_statements(soaked(8 * 3600.0))[-1].text
    # ln(0.05) / ln(0.9999) = 29 955.8 passes
    assert "to claim that 99.99 % of its passes are right" in closing
    assert "let every core verify 29\u202f956 without an error" in closing


def test_a_core_that_failed_before_it_verified_anything_shows_no_rate() -> None:
    lanes = (working(0, 600.0), working(1, 600.0, verified=0))
    good = judged(soak(600.0, 0, lanes=lanes))
    broken = replace(good, data=replace(good.data, failures=(failure(at_seconds=200.0),)))
    (statement,) = stability_statements(broken)
    assert statement.text == (
        "steady: 1 error; CPU 5 verified no pass, so no rate of errors is shown."
    )


def test_trials_alone_make_no_statement() -> None:
    assert stability_statements(evidence(loads=(load_evidence(),))) == ()


def test_a_soak_without_a_verified_pass_shows_nothing() -> None:
    good = soaked(600.0)
    mute = replace(good.loads[0], result=replace(good.loads[0].result, verified=0))
    assert stability_statements(replace(good, loads=(mute,))) == ()


@pytest.mark.parametrize("seconds", [600.0, 36_000.0])
def test_every_sentence_is_one_line(seconds: float) -> None:
    for statement in stability_statements(soaked(seconds)):
        assert statement.text.replace("\u202f", "").isprintable()
        assert statement.topic == "stability"


def test_failures_without_a_place_make_no_core_the_weakest() -> None:
    restart = failure(
        FailureKind.MACHINE_RESTARTED, workload=None, lane=None, core=None, at_seconds=200.0
    )
    good = soaked(3600.0)
    broken = replace(good, data=replace(good.data, failures=(restart,)))
    text = stability_statements(broken)[0].text
    assert "1 error, with 1 h 00 min in verified passes" in text
    assert "weakest" not in text
