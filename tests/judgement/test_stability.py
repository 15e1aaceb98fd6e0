"""Stability statements: what quiet hours prove, in plain words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import evidence, failure, load_evidence, load_info, run_data, soak

from harness.criteria.evidence import Evidence
from harness.judgement.stability import stability_statements
from harness.results import FailureKind

INFO = load_info("steady", 0, workload="spin", trials=0)


def soaked(seconds: float, failures: int = 0) -> Evidence:
    long = soak(seconds, 0)
    failed = tuple(failure(at_seconds=200.0) for _ in range(failures))
    data = run_data(loads=(INFO,), trials=(), soaks=(long,), failures=failed)
    return evidence(data, loads=(load_evidence(INFO, (), (long,)),))


def test_ten_quiet_minutes_are_told_for_what_they_are() -> None:
    load, closing = stability_statements(soaked(600.0))
    # T / -ln(0.05) = 600 s / 2.9957 = 200.3 s (e-Handbook 8.4.5.1, no failure)
    assert "no error in 10 min 00 s" in load.text
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
    assert "2 errors in 1 h 00 min" in statements[0].text
    assert "one error per 9 min 32 s" in statements[0].text
    assert "The weakest is core 5." in statements[0].text


def test_a_pass_is_wrong_at_most_so_often() -> None:
    text = stability_statements(soaked(600.0))[0].text
    # 60 passes: 1 - 0.05 ** (1 / 60) = 4.87 % (Clopper-Pearson, no failure)
    assert "A single pass is wrong in at most 4.9 % of cases" in text


def test_trials_alone_make_no_statement() -> None:
    assert stability_statements(evidence(loads=(load_evidence(),))) == ()


def test_a_soak_without_a_verified_pass_shows_nothing() -> None:
    good = soaked(600.0)
    mute = replace(good.loads[0], result=replace(good.loads[0].result, verified=0))
    assert stability_statements(replace(good, loads=(mute,))) == ()


@pytest.mark.parametrize("seconds", [600.0, 36_000.0])
def test_every_sentence_is_one_line(seconds: float) -> None:
    for statement in stability_statements(soaked(seconds)):
        assert statement.text.isprintable()
        assert statement.topic == "stability"


def test_failures_without_a_place_make_no_core_the_weakest() -> None:
    restart = failure(
        FailureKind.MACHINE_RESTARTED, workload=None, lane=None, core=None, at_seconds=200.0
    )
    good = soaked(3600.0)
    broken = replace(good, data=replace(good.data, failures=(restart,)))
    text = stability_statements(broken)[0].text
    assert "1 error in 1 h 00 min" in text
    assert "weakest" not in text
