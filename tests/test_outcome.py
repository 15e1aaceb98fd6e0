"""The outcome table, row by row (the design's section 2)."""

from __future__ import annotations

import pytest

from harness.outcome import (
    CaseOutcome,
    Ending,
    ExitCode,
    Requirement,
    Verdict,
    case_outcome,
    decide,
)

PASS = Requirement("a", True, Verdict.PASS)
FAIL = Requirement("b", True, Verdict.FAIL)
STRADDLES = Requirement("c", True, Verdict.INCONCLUSIVE)
UNTESTED = Requirement("d", True, Verdict.NOT_TESTED)
OPTIONAL_FAIL = Requirement("e", False, Verdict.FAIL)
OPTIONAL_UNTESTED = Requirement("f", False, Verdict.NOT_TESTED)


@pytest.mark.parametrize(
    ("requirements", "verdict", "code"),
    [
        ([PASS], Verdict.PASS, ExitCode.PASS),
        ([PASS, OPTIONAL_UNTESTED], Verdict.PASS, ExitCode.PASS),
        ([PASS, OPTIONAL_FAIL], Verdict.PASS, ExitCode.PASS),
        ([PASS, FAIL], Verdict.FAIL, ExitCode.FAIL),
        ([FAIL, STRADDLES], Verdict.FAIL, ExitCode.FAIL),
        ([PASS, STRADDLES], Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE),
        ([PASS, UNTESTED], Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE),
        ([], Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE),
        ([OPTIONAL_FAIL], Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE),
    ],
)
def test_completed_runs(requirements: list[Requirement], verdict: Verdict, code: ExitCode) -> None:
    outcome = decide(requirements, ending=Ending.COMPLETED, failures=0)
    assert (outcome.verdict, outcome.exit_code) == (verdict, code)
    assert outcome.why


@pytest.mark.parametrize(
    ("ending", "verdict", "code"),
    [
        (Ending.SAFETY_STOP, Verdict.FAIL, ExitCode.SAFETY_STOP),
        (Ending.CRASHED, Verdict.FAIL, ExitCode.FAIL),
        (Ending.INTERRUPTED, Verdict.INCONCLUSIVE, ExitCode.INTERRUPTED),
        (Ending.AWAITING_BOOT, Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE),
    ],
)
def test_other_endings(ending: Ending, verdict: Verdict, code: ExitCode) -> None:
    outcome = decide([PASS], ending=ending, failures=0)
    assert (outcome.verdict, outcome.exit_code) == (verdict, code)


def test_a_broken_harness_is_an_error() -> None:
    outcome = decide([PASS], ending=Ending.ERROR, failures=0)
    assert (outcome.verdict, outcome.exit_code) == (Verdict.ERROR, ExitCode.ERROR)


@pytest.mark.parametrize(("requirements", "failures"), [([PASS], 1), ([FAIL], 0)])
def test_what_was_seen_to_fail_outranks_a_broken_harness(
    requirements: list[Requirement], failures: int
) -> None:
    outcome = decide(requirements, ending=Ending.ERROR, failures=failures)
    assert (outcome.verdict, outcome.exit_code) == (Verdict.FAIL, ExitCode.FAIL)


@pytest.mark.parametrize("ending", list(Ending))
@pytest.mark.parametrize("failures", [0, 1])
def test_a_safety_stop_in_any_part_outranks_the_ending_of_the_last(
    ending: Ending, failures: int
) -> None:
    outcome = decide([PASS], ending=ending, failures=failures, safety_stop=True)
    assert (outcome.verdict, outcome.exit_code) == (Verdict.FAIL, ExitCode.SAFETY_STOP)


def test_a_damaged_record_never_passes_and_hides_no_failure() -> None:
    whole = decide([PASS], ending=Ending.COMPLETED, failures=0, damaged=True)
    assert (whole.verdict, whole.exit_code) == (Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE)
    assert "damaged" in whole.why
    failed = decide([FAIL], ending=Ending.COMPLETED, failures=0, damaged=True)
    assert failed.exit_code is ExitCode.FAIL


def test_a_record_without_a_load_that_is_asked_for_never_passes_and_names_it() -> None:
    outcome = decide([PASS], ending=Ending.COMPLETED, failures=0, lacking=("no load named spin",))
    assert outcome.exit_code is ExitCode.INCONCLUSIVE
    assert "no load named spin" in outcome.why


def test_a_case_that_is_an_error_is_reported_as_one() -> None:
    assert case_outcome(Verdict.ERROR, required=False) is CaseOutcome.ERROR


def test_a_failure_under_load_fails_whatever_the_criteria_say() -> None:
    assert decide([PASS], ending=Ending.COMPLETED, failures=1).exit_code is ExitCode.FAIL


def test_a_failure_outranks_an_interruption() -> None:
    assert decide([PASS], ending=Ending.INTERRUPTED, failures=1).exit_code is ExitCode.FAIL
    assert decide([FAIL], ending=Ending.INTERRUPTED, failures=0).exit_code is ExitCode.FAIL


def test_a_selection_of_the_profile_never_passes() -> None:
    outcome = decide([PASS], ending=Ending.COMPLETED, failures=0, partial=True)
    assert outcome.exit_code is ExitCode.INCONCLUSIVE
