"""Criteria that count: failures, crashes, throttling, hardware errors, disturbances, soaks."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import (
    counter,
    event,
    evidence,
    failure,
    load_evidence,
    load_info,
    run_data,
    soak,
)

from harness.criteria.disturbance_share import DisturbanceShare
from harness.criteria.hardware_errors import HardwareErrors
from harness.criteria.minimum_soak import MinimumSoak
from harness.criteria.no_crash import NoCrash
from harness.criteria.no_failures import NoFailures
from harness.criteria.throttling import Throttling
from harness.outcome import Ending, Verdict
from harness.results import EventKind, FailureKind

# --- no failures --------------------------------------------------------------------------------


def test_verified_passes_without_a_failure_pass() -> None:
    result = NoFailures().judge(evidence())
    assert result.verdict is Verdict.PASS
    assert (result.measured, result.limit) == (0, 0)
    assert "420 passes were verified" in result.why


def test_one_wrong_result_fails_and_names_load_core_and_time() -> None:
    result = NoFailures().judge(evidence(run_data(failures=(failure(),))))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 1)
    assert "wrong result in spin on core 5 at 0:00:42.0" in result.why


@pytest.mark.parametrize("kind", [FailureKind.MACHINE_RESTARTED, FailureKind.PROCESS_DIED])
def test_a_crash_is_not_counted_twice_as_a_failure_of_a_load(kind: FailureKind) -> None:
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


# --- no crash -----------------------------------------------------------------------------------


def test_a_run_without_its_end_event_is_a_crash() -> None:
    data = run_data(ending=Ending.CRASHED, ending_text="machine restarted under spin")
    result = NoCrash().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 1)
    assert "machine restarted under spin" in result.why


def test_an_interrupted_run_that_did_not_crash_passes() -> None:
    data = run_data(ending=Ending.INTERRUPTED)
    assert NoCrash().judge(evidence(data)).verdict is Verdict.PASS


# --- counters -----------------------------------------------------------------------------------


def test_a_counter_that_stood_still_passes() -> None:
    data = run_data(channels=(counter("throttle_count", 7, 7),))
    result = Throttling().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.PASS, 0)
    assert result.uncertainty == "count: exact"


def test_only_the_increase_during_the_run_counts() -> None:
    counters = (counter("throttle_count", 7, 9), counter("throttle_count", 0, 1, "other"))
    data = run_data(channels=counters, events=(event(EventKind.THROTTLED),))
    result = Throttling().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 3)
    assert "the first: core 5 throttled" in result.why
    assert Throttling(at_most=3).judge(evidence(data)).verdict is Verdict.PASS


def test_a_counter_that_was_reset_counts_from_its_reset() -> None:
    data = run_data(channels=(counter("hardware_errors", 100, 2),))
    assert HardwareErrors().judge(evidence(data)).measured == 2


def test_events_count_where_the_counter_could_not_be_read_at_both_ends() -> None:
    lost = replace(counter("hardware_errors", 0, 0), first_value=None)
    data = run_data(channels=(lost,), events=(event(EventKind.HARDWARE_ERROR, text="DIMM A1"),))
    result = HardwareErrors().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 1)


def test_without_any_counter_the_number_is_unknown_and_not_zero() -> None:
    result = HardwareErrors(required=False).judge(evidence())
    assert (result.verdict, result.measured) == (Verdict.NOT_TESTED, None)
    assert "unknown, not 0" in result.why


# --- disturbances -------------------------------------------------------------------------------


def disturbed(number: int) -> object:
    load = load_evidence()
    causes = [("run delay 12 % on core 5",)] * number + [()] * (6 - number)
    points = tuple(
        replace(point, causes=why) for point, why in zip(load.result.points, causes, strict=True)
    )
    return replace(load, result=replace(load.result, points=points))


@pytest.mark.parametrize(("number", "verdict"), [(1, Verdict.PASS), (2, Verdict.FAIL)])
def test_the_share_of_disturbed_trials_is_judged(number: int, verdict: Verdict) -> None:
    result = DisturbanceShare(at_most_percent=20.0).judge(evidence(loads=(disturbed(number),)))
    assert result.verdict is verdict
    assert result.measured == pytest.approx(100 * number / 6)
    assert "run delay 12 %" in result.why


# --- minimum soak -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "ending", "verdict"),
    [
        (600.0, Ending.COMPLETED, Verdict.PASS),
        (599.7, Ending.COMPLETED, Verdict.PASS),
        (598.0, Ending.COMPLETED, Verdict.FAIL),
        (598.0, Ending.INTERRUPTED, Verdict.INCONCLUSIVE),
    ],
)
def test_a_soak_is_judged_to_the_second(seconds: float, ending: Ending, verdict: Verdict) -> None:
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(seconds),))
    judged = evidence(run_data(ending=ending), loads=(load,))
    assert MinimumSoak(minimum_minutes=10.0).judge(judged).verdict is verdict


def test_the_shortest_soak_decides_and_stretches_add_up() -> None:
    long = load_evidence(load_info("long", 1, trials=0), (), (soak(400.0), soak(400.0)))
    short = load_evidence(load_info("short", 2, trials=0), (), (soak(300.0),))
    result = MinimumSoak(minimum_minutes=10.0).judge(evidence(loads=(long, short)))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 5.0)
    assert "short soaked for 5 min 00 s" in result.why


def test_a_soak_that_is_not_available_cannot_be_covered_up_by_another() -> None:
    gone = load_evidence(load_info("gone", 2, trials=0, available=False, reason="no compiler"), ())
    good = load_evidence(load_info("long", 1, trials=0), (), (soak(700.0),))
    result = MinimumSoak(minimum_minutes=10.0).judge(evidence(loads=(good, gone)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "no compiler" in result.why
