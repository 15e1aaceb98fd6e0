"""The outcome table, row by row (the design's section 2)."""

from __future__ import annotations

import pytest

from harness.outcome import Ending, ExitCode, Requirement, Verdict, decide

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
    assert decide([PASS], ending=Ending.ERROR, failures=0).exit_code is ExitCode.ERROR


def test_a_failure_under_load_fails_whatever_the_criteria_say() -> None:
    assert decide([PASS], ending=Ending.COMPLETED, failures=1).exit_code is ExitCode.FAIL


def test_a_failure_outranks_an_interruption() -> None:
    assert decide([PASS], ending=Ending.INTERRUPTED, failures=1).exit_code is ExitCode.FAIL
    assert decide([FAIL], ending=Ending.INTERRUPTED, failures=0).exit_code is ExitCode.FAIL


def test_a_selection_of_the_profile_never_passes() -> None:
    outcome = decide([PASS], ending=Ending.COMPLETED, failures=0, partial=True)
    assert outcome.exit_code is ExitCode.INCONCLUSIVE
