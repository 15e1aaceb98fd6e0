"""The self-test finds planted faults, and would say so if a detector were blind."""

from __future__ import annotations

import os

import pytest

from harness.lanes.messages import Mismatch
from harness.selftest import Caught, Flipped, Untested, _Prover, self_test
from workloads.registry import load

CPUS = tuple(sorted(os.sched_getaffinity(0)))


def test_flips_in_a_lane_are_caught_in_the_right_place() -> None:
    reports = list(self_test(CPUS, lane=len(CPUS) - 1, only=("matmul-fp64", "command")))
    flips = [item for item in reports if isinstance(item, Flipped)]
    results = [item for item in flips if item.role == "result"]
    assert {item.kind for item in results} >= {"sign", "exponent", "mantissa-high", "mantissa-low"}
    assert all(item.outcome is Caught.CAUGHT for item in results)
    assert all(item.cpu == CPUS[-1] for item in flips)
    assert [item.workload for item in reports if isinstance(item, Untested)] == ["command"]


def prover() -> _Prover:
    return _Prover(None, [1, 0], CPUS, 7, load("matmul-fp64"))  # type: ignore[arg-type]


def wrong(lane: int = 1, at_pass: int = 1, load_number: int = 7) -> Mismatch:
    return Mismatch(lane, load_number, 1, at_pass, 0, "detail", "transient")


@pytest.mark.parametrize(
    ("reported", "role", "outcome"),
    [
        ([wrong()], "result", Caught.CAUGHT),
        ([], "result", Caught.MISSED),
        ([], "input", Caught.NO_EFFECT),
        ([wrong(lane=0)], "result", Caught.MISPLACED),
        ([wrong(load_number=8)], "result", Caught.MISPLACED),
        ([wrong(at_pass=2)], "result", Caught.MISPLACED),
        ([wrong(at_pass=2)], "intermediate", Caught.CAUGHT),
        ([wrong(at_pass=0)], "intermediate", Caught.MISPLACED),
    ],
)
def test_what_is_missed_or_misplaced_is_called_so(
    reported: list[Mismatch], role: str, outcome: Caught
) -> None:
    assert prover()._judge(reported, role, spoilt=1)[0] is outcome
