"""Clock floor: the slowest core decides."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import (
    clock_channel,
    evidence,
    lane,
    load_evidence,
    load_info,
    run_data,
    soak,
    trial,
)

from harness.criteria.clock_floor import ClockFloor
from harness.outcome import Verdict
from harness.results import ChannelData, CriterionResult


def clocks(*readings: float | None) -> CriterionResult:
    trials = tuple(
        trial(number, 100.0, lanes=(lane(0), lane(1, clock_hz=reading)))
        for number, reading in enumerate(readings)
    )
    load = replace(load_evidence(), trials=trials)
    return ClockFloor(at_least_ghz=3.0).judge(evidence(loads=(load,)))


@pytest.mark.parametrize(
    ("lowest", "verdict"),
    [(3.1e9, Verdict.PASS), (3.01e9, Verdict.INCONCLUSIVE), (2.9e9, Verdict.FAIL)],
)
def test_the_slowest_core_decides_with_the_accuracy_of_the_clock(
    lowest: float, verdict: Verdict
) -> None:
    result = clocks(3.6e9, lowest)
    assert (result.verdict, result.measured) == (verdict, lowest / 1e9)
    assert "CPU 5 in trial 2 of spin" in result.why
    assert "measured at the start of each trial" in result.why


def test_a_core_without_a_measured_clock_forbids_a_pass_and_hides_no_failure() -> None:
    result = clocks(None, 3.5e9)
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "CPU 5 has no clock reading at trial 1 of spin" in result.why
    assert clocks(None, 2.0e9).verdict is Verdict.FAIL


def test_a_trial_is_named_by_its_round_and_not_by_its_place_among_all_loads() -> None:
    third = trial(17, 100.0, round=3, lanes=(lane(0, clock_hz=2.9e9),))
    load = replace(load_evidence(), trials=(third,))
    why = ClockFloor(at_least_ghz=3.0).judge(evidence(loads=(load,))).why
    assert "CPU 4 in trial 3 of spin" in why


STEADY = load_info("steady", 1, trials=0, workload="spin")
FAST = ((100.0, 3.6e9), (101.0, 3.6e9))


def soaked(*channels: ChannelData, pattern: str = "all-lanes", **lanes: Any) -> CriterionResult:
    """A minute's soak on cores 4 and 5 whose lanes had measured 3.6 GHz before it began."""
    long = soak(60.0, pattern=pattern, **lanes)
    load = load_evidence(STEADY, (), (long,))
    return ClockFloor(at_least_ghz=3.0).judge(evidence(run_data(channels=channels), loads=(load,)))


def test_a_clock_read_before_a_soak_says_nothing_of_the_soak() -> None:
    result = soaked()
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "no clock of CPU 4 was sampled during the soak of steady" in result.why


@pytest.mark.parametrize(("lowest", "verdict"), [(3.5e9, Verdict.PASS), (2.5e9, Verdict.FAIL)])
def test_a_soak_is_judged_by_the_clocks_sampled_in_it(lowest: float, verdict: Verdict) -> None:
    slow = clock_channel(5, (120.0, lowest), (130.0, 3.6e9))
    result = soaked(clock_channel(4, *FAST), slow)
    assert (result.verdict, result.measured) == (verdict, lowest / 1e9)
    assert "CPU 5 in steady" in result.why
    assert "sampled during the soak" in result.why


def test_blocks_that_reach_out_of_the_soak_do_not_count() -> None:
    around = clock_channel(5, (99.5, 1e9), (159.5, 1e9), (120.0, 3.5e9))
    assert soaked(clock_channel(4, *FAST), around).measured == 3.5


def test_one_core_without_a_sampled_clock_forbids_the_pass_of_the_others() -> None:
    result = soaked(clock_channel(4, *FAST), clock_channel(6, *FAST))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "CPU 5" in result.why


def test_a_lane_that_is_not_pinned_has_no_core_whose_clock_could_be_read() -> None:
    result = soaked(clock_channel(4, *FAST), lanes=(lane(0), lane(1, cpu=None)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "lane 1 of steady is not pinned" in result.why


@pytest.mark.parametrize("pattern", ["load-steps", "idle-bursts"])
def test_a_pattern_that_rests_shows_no_clock_under_load(pattern: str) -> None:
    slow = ((120.0, 0.8e9),)
    result = soaked(clock_channel(4, *slow), clock_channel(5, *slow), pattern=pattern)
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "rests between bursts" in result.why


@pytest.mark.parametrize("named", [(), ("spin", "idle")])
@pytest.mark.parametrize("optional", [(), ("idle",)])
def test_an_available_load_that_did_not_run_forbids_the_pass_of_the_others(
    named: tuple[str, ...], optional: tuple[str, ...]
) -> None:
    idle = load_evidence(load_info("idle", 3), ())
    found = evidence(loads=(*evidence().loads[:1], idle))
    spec = ClockFloor(at_least_ghz=3.0, loads=named, optional_loads=optional)
    result = spec.judge(found)
    assert (result.verdict, "idle did not run" in result.why) == (Verdict.INCONCLUSIVE, True)
