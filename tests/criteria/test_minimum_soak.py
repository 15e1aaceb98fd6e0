"""Minimum soak: judged to the second, the shortest decides."""

from __future__ import annotations

import pytest
from evidence_samples import (
    evidence,
    load_evidence,
    load_info,
    run_data,
    soak,
    working,
)

from harness.criteria.demonstration import DemonstrationTest
from harness.criteria.error_rate import ErrorRate
from harness.criteria.evidence import Evidence
from harness.criteria.minimum_soak import MinimumSoak
from harness.criteria.no_failures import NoFailures
from harness.outcome import Ending, Verdict


@pytest.mark.parametrize(
    ("seconds", "ending", "verdict"),
    [
        (600.0, Ending.COMPLETED, Verdict.PASS),
        (599.7, Ending.COMPLETED, Verdict.PASS),
        (599.4, Ending.COMPLETED, Verdict.FAIL),
        (598.0, Ending.COMPLETED, Verdict.FAIL),
        (598.0, Ending.INTERRUPTED, Verdict.INCONCLUSIVE),
    ],
)
def test_a_soak_is_judged_to_the_second(seconds: float, ending: Ending, verdict: Verdict) -> None:
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(seconds),))
    judged = evidence(run_data(ending=ending), loads=(load,))
    assert MinimumSoak(minimum_minutes=10.0).judge(judged).verdict is verdict


@pytest.mark.parametrize(
    ("seconds", "verdict"), [(0.0, Verdict.FAIL), (0.1, Verdict.FAIL), (0.29, Verdict.PASS)]
)
def test_a_short_soak_is_judged_to_a_tenth_of_what_is_asked_for(
    seconds: float, verdict: Verdict
) -> None:
    # 0.005 minutes are 0.3 s: nought is within half a second of it, and no soak.
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(seconds),))
    assert MinimumSoak(minimum_minutes=0.005).judge(evidence(loads=(load,))).verdict is verdict


def test_the_shortest_soak_decides_and_stretches_add_up() -> None:
    long = load_evidence(load_info("long", 1, trials=0), (), (soak(400.0), soak(400.0)))
    short = load_evidence(load_info("short", 2, trials=0), (), (soak(300.0),))
    result = MinimumSoak(minimum_minutes=10.0).judge(evidence(loads=(long, short)))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 5.0)
    assert "short was sustained for 5 min 00 s" in result.why


def test_a_soak_that_is_not_available_cannot_be_covered_up_by_another() -> None:
    gone = load_evidence(load_info("gone", 2, trials=0, available=False, reason="no compiler"), ())
    good = load_evidence(load_info("long", 1, trials=0), (), (soak(700.0),))
    result = MinimumSoak(minimum_minutes=10.0).judge(evidence(loads=(good, gone)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "no compiler" in result.why


def test_a_lane_that_stopped_early_has_not_sustained_the_load() -> None:
    lanes = (working(0, 600.0), working(1, 240.0))
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(600.0, lanes=lanes),))
    result = MinimumSoak(minimum_minutes=10.0).judge(evidence(loads=(load,)))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 4.0)


def test_a_soak_of_some_seconds_that_verified_nothing_is_no_soak() -> None:
    lanes = (working(0, 8.0, passes=0, verified=0),)
    load = load_evidence(load_info("steady", 1, trials=0), (), (soak(8.0, lanes=lanes),))
    stopped = evidence(run_data(ending=Ending.INTERRUPTED), loads=(load,))
    result = MinimumSoak(minimum_minutes=10.0).judge(stopped)
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, 0.0)
    assert "because the run ended early" in result.why


@pytest.mark.parametrize(
    ("ending", "why"),
    [
        (Ending.COMPLETED, "steady did not run"),
        (Ending.INTERRUPTED, "the run ended before steady had run"),
        (Ending.AWAITING_BOOT, "steady has yet to run: soaks belong to the last boot"),
    ],
)
def test_a_soak_that_did_not_take_place_is_told_with_its_reason(ending: Ending, why: str) -> None:
    load = load_evidence(load_info("steady", 1, trials=0), ())
    result = MinimumSoak(minimum_minutes=10.0).judge(
        evidence(run_data(ending=ending), loads=(load,))
    )
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert result.why == f"not measured: {why}"


def test_a_run_that_ended_before_any_load_was_ready_names_no_rule_that_does_not_fit() -> None:
    stopped = evidence(run_data(ending=Ending.INTERRUPTED, loads=()), loads=())
    for rule in (
        MinimumSoak(minimum_minutes=10.0),
        MinimumSoak(minimum_minutes=10.0, loads=("steady",)),
        ErrorRate(at_most_per_hour=1.0, loads=("steady",)),
        NoFailures(),
        DemonstrationTest(load="steady", plan="XV-D", refused_mean_hours=1.0),
    ):
        assert rule.judge(stopped).why == "not measured: the run ended before any load was ready"


MIXED = load_info("mix", 1, trials=0, pattern="mixed")
MOVING = load_info("mover", 1, trials=0)


def in_turn(cores: int, seconds: float, ending: Ending = Ending.COMPLETED) -> Evidence:
    """A soak in which each of so many cores worked alone for so long."""
    turns = tuple(
        soak(
            seconds,
            number=100 + core,
            pattern="one-lane-moving",
            started_seconds=100.0 + core * seconds,
            ended_seconds=100.0 + (core + 1) * seconds,
            lanes=(working(core, seconds),),
        )
        for core in range(cores)
    )
    load = load_evidence(MOVING, (), turns)
    return evidence(run_data(loads=(MOVING,), trials=(), soaks=turns, ending=ending), loads=(load,))


def test_a_load_that_took_turns_with_others_was_not_too_short_by_the_machines_fault() -> None:
    mixed = soak(360.0, pattern="mixed", lanes=(working(1, 360.0),))
    load = load_evidence(MIXED, (), (mixed,))
    data = run_data(soaks=(mixed, soak(1.0, 0, number=7)))
    result = MinimumSoak(minimum_minutes=12.0).judge(evidence(data, loads=(load,)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert result.why.endswith("it took turns with the loads beside it, give it longer")


def test_cores_that_take_turns_are_judged_by_each_ones_own_time() -> None:
    # Four minutes among sixteen cores are a quarter of a minute on each, not four on every lane.
    enough = MinimumSoak(minimum_minutes=0.25).judge(in_turn(16, 15.0))
    assert (enough.verdict, enough.measured) == (Verdict.PASS, 0.25)
    assert enough.why == (
        "mover was sustained for 15.0 s on CPU 10, the core with the least of 16, at least the "
        "15.0 s asked for"
    )
    shared = MinimumSoak(minimum_minutes=4.0).judge(in_turn(16, 15.0))
    assert (shared.verdict, shared.measured) == (Verdict.INCONCLUSIVE, 0.25)
    assert shared.why.endswith("asked for: the cores shared its time, give it longer")


def test_turns_that_are_too_short_together_fail() -> None:
    result = MinimumSoak(minimum_minutes=4.0).judge(in_turn(2, 15.0))
    assert result.verdict is Verdict.FAIL
    assert "every lane" not in result.why


def test_a_run_that_ended_during_turns_does_not_know_whose_were_to_come() -> None:
    rule = MinimumSoak(minimum_minutes=0.25)
    result = rule.judge(in_turn(1, 15.0, Ending.INTERRUPTED))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "the run ended during mover: some cores may not have had their turn" in result.why
    assert rule.judge(in_turn(1, 15.0)).verdict is Verdict.PASS


def test_only_a_load_that_held_every_lane_is_said_to_have_done_so() -> None:
    half = soak(600.0, pattern="half-lanes", lanes=(working(0, 600.0),))
    load = load_evidence(load_info("steady", 1, trials=0), (), (half,))
    judged = evidence(run_data(soaks=(half,)), loads=(load,))
    result = MinimumSoak(minimum_minutes=10.0).judge(judged)
    assert result.verdict is Verdict.PASS
    assert "for 10 min 00 s on CPU 4, at least" in result.why
    assert "on every lane" in MinimumSoak(minimum_minutes=10.0).judge(evidence()).why
