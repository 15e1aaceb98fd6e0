"""No failures: what counts, what it needs to pass, and whose failure it is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import (
    evidence,
    failure,
    load_evidence,
    load_info,
    run_data,
)

from harness.criteria.no_crash import NoCrash
from harness.criteria.no_failures import NoFailures
from harness.outcome import Ending, Verdict
from harness.results import FailureKind


def test_verified_passes_without_a_failure_pass() -> None:
    result = NoFailures().judge(evidence())
    assert result.verdict is Verdict.PASS
    assert (result.measured, result.limit) == (0, 0)
    assert "420 passes were verified" in result.why


def test_one_wrong_result_fails_and_names_load_core_and_time() -> None:
    result = NoFailures().judge(evidence(run_data(failures=(failure(),))))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 1)
    assert "wrong result in spin on CPU 5 at 0:00:42.0" in result.why


@pytest.mark.parametrize("kind", [FailureKind.MACHINE_RESTARTED, FailureKind.PROCESS_DIED])
def test_a_crash_while_no_load_ran_is_no_failure_of_a_load(kind: FailureKind) -> None:
    data = run_data(failures=(failure(kind, workload=None),))
    assert NoFailures().judge(evidence(data)).verdict is Verdict.PASS
    assert NoCrash().judge(evidence(data)).verdict is Verdict.FAIL


def test_a_load_that_ran_without_verifying_anything_cannot_pass() -> None:
    loads = (load_evidence(), replace(load_evidence(load_info("mute", 1), verified=0)))
    result = NoFailures().judge(evidence(loads=loads))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "no pass of mute was verified" in result.why


def test_failures_of_other_loads_do_not_count_when_loads_are_named() -> None:
    data = run_data(failures=(failure(workload="other"),))
    named = NoFailures(loads=("spin",))
    assert named.judge(evidence(data)).verdict is Verdict.PASS
    assert named.label == "no-failures spin"


@pytest.mark.parametrize("kind", [FailureKind.MACHINE_RESTARTED, FailureKind.PROCESS_DIED])
def test_a_crash_under_a_load_fails_that_load_and_no_other(kind: FailureKind) -> None:
    crash = failure(kind, workload=None, lane=None, core=None, at_seconds=12.0)
    data = run_data(failures=(crash,))
    assert NoFailures().judge(evidence(data)).verdict is Verdict.FAIL
    assert NoFailures(loads=("spin",)).judge(evidence(data)).verdict is Verdict.FAIL
    assert NoFailures(loads=("steady",)).judge(evidence(data)).verdict is Verdict.PASS


def test_a_named_load_that_is_not_in_the_record_cannot_pass() -> None:
    result = NoFailures(loads=("spin", "gone")).judge(evidence())
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "no load named gone" in result.why


GONE = load_evidence(load_info("gone", 2, available=False, reason="no compiler"), ())


@pytest.mark.parametrize(
    ("required", "verdict"), [(True, Verdict.INCONCLUSIVE), (False, Verdict.NOT_TESTED)]
)
@pytest.mark.parametrize("names", [(), ("spin", "gone")])
def test_a_load_that_is_not_available_forbids_a_pass_named_or_not(
    names: tuple[str, ...], required: bool, verdict: Verdict
) -> None:
    rule = NoFailures(loads=names, required=required)
    result = rule.judge(evidence(loads=(load_evidence(), GONE)))
    assert (result.verdict, result.measured) == (verdict, None)
    assert result.why == (
        "not measured: gone is not available here: no compiler (no failure in 360 verified passes "
        "of the others)"
    )


def test_a_load_that_the_profile_calls_optional_is_left_out_and_named() -> None:
    rule = NoFailures(optional_loads=("gone",))
    result = rule.judge(evidence(loads=(load_evidence(), GONE)))
    assert (result.verdict, result.measured) == (Verdict.PASS, 0)
    assert result.why == (
        "360 passes were verified, none was wrong, no lane died; left out, as the profile allows: "
        "gone (no compiler)"
    )


def test_an_optional_load_that_is_available_counts_as_any_other() -> None:
    mute = load_evidence(load_info("gone", 2), (), verified=0)
    rule = NoFailures(optional_loads=("gone",))
    assert rule.judge(evidence(loads=(load_evidence(), mute))).verdict is Verdict.INCONCLUSIVE
    assert "left out" not in rule.judge(evidence(loads=(load_evidence(),))).why


def test_when_every_load_is_left_out_nothing_was_tested() -> None:
    result = NoFailures(optional_loads=("gone",)).judge(evidence(loads=(GONE,)))
    assert result.verdict is Verdict.INCONCLUSIVE


def test_a_failure_of_another_load_still_fails_beside_one_that_is_not_available() -> None:
    failed = evidence(run_data(failures=(failure(),)), loads=(load_evidence(), GONE))
    assert NoFailures().judge(failed).verdict is Verdict.FAIL


def test_after_an_interruption_only_the_part_that_ran_is_spoken_of() -> None:
    result = NoFailures().judge(evidence(run_data(ending=Ending.INTERRUPTED)))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, 0)
    assert result.why == (
        "no failure seen in the part that ran: 420 verified passes before it ended early"
    )


def test_loads_that_an_interruption_kept_from_running_are_named() -> None:
    loads = (load_evidence(), load_evidence(load_info("late", 1), (), verified=0))
    result = NoFailures().judge(evidence(run_data(ending=Ending.INTERRUPTED), loads=loads))
    assert result.why.endswith("nothing of late was verified")


def test_a_run_between_two_boots_is_not_called_interrupted() -> None:
    result = NoFailures().judge(evidence(run_data(ending=Ending.AWAITING_BOOT)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "verified passes until the next boot" in result.why


@pytest.mark.parametrize(
    ("ending", "why"),
    [
        (Ending.COMPLETED, "no pass of spin was verified"),
        (Ending.INTERRUPTED, "the run ended before any result was verified"),
        (Ending.AWAITING_BOOT, "nothing was verified in this boot, and more boots are planned"),
    ],
)
def test_without_a_verified_pass_nothing_is_measured(ending: Ending, why: str) -> None:
    loads = (load_evidence(rates=(), verified=0),)
    result = NoFailures().judge(evidence(run_data(ending=ending), loads=loads))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert result.why == f"not measured: {why}"
