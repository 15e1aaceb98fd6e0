"""Lanes' numbers joined to trials and soaks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.assembly import LegDone, TimeAxis, assemble_soaks, assemble_trial, step_skew
from harness.lanes.messages import Done
from harness.plan import Leg, Step
from tests.acting import lane_trial, load

AXIS = TimeAxis(1_000_000_000, boot=2)


def done(lane: int, passes: int = 10, seconds: float = 2.0, load_number: int = 0) -> Done:
    start, end = 2_000_000_000, 2_000_000_000 + round(seconds * 1e9)
    return Done(lane, 1, load_number, lane_trial(lane, passes, seconds), start, end, 0, False)


def trial_step() -> Step:
    return Step(4, 0, 2, (Leg({0: 0, 1: 0}),), "all-lanes")


def test_joint_rate_is_the_sum_of_each_lanes_own_rate() -> None:
    leg = LegDone((done(0, 10, 2.0), done(1, 10, 4.0)), paired=False)
    trial = assemble_trial(trial_step(), load(), [leg], AXIS, valid=True)
    assert trial.rate == pytest.approx(5.0 + 2.5)
    assert (trial.started_seconds, trial.ended_seconds, trial.boot) == (1.0, 5.0, 2)


def test_capability_uses_the_fast_passes() -> None:
    slow = done(0)
    slow = replace(slow, result=replace(slow.result, pass_p10_seconds=0.1))
    trial = assemble_trial(trial_step(), load(), [LegDone((slow,), False)], AXIS, valid=True)
    assert trial.capability_rate == pytest.approx(10.0)
    assert trial.rate == pytest.approx(5.0)


def test_skew_is_the_spread_of_the_lanes_starts_step_by_step() -> None:
    one = ((0, 0), (1, 1000), (2, 2000))
    other = ((0, 100), (1, 1300), (2, 2050))
    assert step_skew([one, other]) == (100 / 1e9, 300 / 1e9)


def test_a_step_that_one_lane_missed_has_no_skew() -> None:
    assert step_skew([((0, 0), (1, 1000)), ((1, 1010), (2, 9000))]) == (10 / 1e9, 10 / 1e9)
    assert step_skew([((0, 0),), ((1, 1000),)]) is None
    assert step_skew([((0, 0),)]) is None


def test_a_mixed_soak_gives_one_entry_a_load() -> None:
    step = Step(3, 0, 0, (Leg({0: 0, 1: 1}, seconds=2.0),), "mixed")
    loads = {0: load(), 1: load(1, "saw")}
    leg = LegDone((done(0), done(1, load_number=1)), paired=False)
    soaks = assemble_soaks(step, loads, leg, AXIS, complete=True)
    assert [(item.workload, item.number) for item in soaks] == [("mill", 300), ("saw", 301)]
    assert [lane.lane for item in soaks for lane in item.lanes] == [0, 1]


def test_rate_points_add_the_lanes_up() -> None:
    first = replace(done(0), progress=((3_000_000_000, 5), (4_000_000_000, 10)))
    second = replace(done(1), progress=((3_000_000_000, 3), (4_000_000_000, 6)))
    step = Step(0, 0, 0, (Leg({0: 0, 1: 0}, seconds=2.0),), "all-lanes")
    (soak,) = assemble_soaks(step, {0: load()}, LegDone((first, second), False), AXIS, True)
    assert soak.rate_points == ((2.0, pytest.approx(8.0)), (3.0, pytest.approx(8.0)))
