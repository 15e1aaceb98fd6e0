"""Clock floor: the slowest core decides."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import evidence, lane, load_evidence, soak, trial

from harness.criteria.clock_floor import ClockFloor
from harness.outcome import Verdict
from harness.results import CriterionResult


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
    assert "core 5 in spin (trial 1)" in result.why


def test_a_core_without_a_measured_clock_is_left_out() -> None:
    assert clocks(None, 3.5e9).measured == 3.5


def test_clocks_measured_during_soaks_count_too() -> None:
    slow = soak(60.0, lanes=(lane(0, clock_hz=2.0e9),))
    load = replace(load_evidence(), soaks=(slow,))
    assert ClockFloor(at_least_ghz=3.0).judge(evidence(loads=(load,))).measured == 2.0
