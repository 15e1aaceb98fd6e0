"""What ends or interrupts a run from outside its lanes: guard, operator, suspend, a helper in
trouble, a harness that stood still."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.board import StopReason
from harness.clock import NS_PER_SECOND
from harness.conductor import KILL_LEAD_SECONDS, REASON_SECONDS, SPARED_SECONDS, STOP_SECONDS
from harness.happenings import (
    Happening,
    HelperDied,
    Interrupted,
    KillLane,
    LimitExceeded,
    LoadStopped,
    StoodStill,
    StopLoad,
    StorageFailed,
    Suspended,
)
from harness.lanes import messages as m
from harness.outcome import Ending
from harness.plan import Leg, Step
from harness.results import EventKind, FailureKind, SafetyStop
from tests.acting import Stage, held, load, plan, simple, soak

STOP = SafetyStop("cpu", 96.0, 95.0, "°C", 1.0, "the maker's")


def test_the_guards_stop_ends_the_run_and_keeps_what_was_measured() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.feed(LimitExceeded(STOP))
    assert stage.finish is None  # the lanes still owe their results
    for lane in (0, 1):
        run = stage.run_of(lane)
        stage.feed(stage.done(lane, run, stage.now_ns, stopped=True))
    assert stage.finish is not None
    assert stage.finish.ending is Ending.SAFETY_STOP
    assert STOP in stage.stored
    assert [trial.valid for trial in stage.trials] == [False]  # kept, as cut short


def test_an_interruption_raises_the_stop_flag_at_once() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.feed(Interrupted("SIGINT"))
    assert StopLoad(StopReason.PARENT) in stage.instructions
    stage.tick(STOP_SECONDS + 0.1)
    assert stage.finish is not None
    assert stage.finish.ending is Ending.INTERRUPTED
    assert [item.lane for item in stage.instructions if isinstance(item, KillLane)] == [0, 1]
    assert not stage.failures  # lanes killed for being slow to stop are no failures


def test_the_first_reason_to_stop_stays() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.feed(LimitExceeded(STOP))
    stage.feed(Interrupted("SIGINT"))
    stage.tick(STOP_SECONDS + 0.1)
    assert stage.finish is not None
    assert stage.finish.ending is Ending.SAFETY_STOP


@pytest.mark.parametrize(
    ("happening", "ending"),
    [
        (StorageFailed("disk full"), Ending.ERROR),
        (HelperDied("sampler", "exit code 1"), Ending.STOPPED_ON_FAILURE),
    ],
)
def test_a_harness_process_in_trouble_ends_the_run(happening: Happening, ending: Ending) -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.feed(happening)
    stage.tick(STOP_SECONDS + 0.1)
    assert stage.finish is not None
    assert stage.finish.ending is ending


def test_a_dead_sampler_is_a_failure() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.feed(HelperDied("sampler", "killed by signal 9, SIGKILL"))
    assert stage.failures[0].kind is FailureKind.PROCESS_DIED


def test_the_guards_reason_may_come_after_the_lanes_have_stopped() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.feed(LoadStopped())
    for lane in (0, 1):
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns, stopped=True))
    assert stage.finish is None
    stage.feed(LimitExceeded(STOP))
    assert stage.finish is not None
    assert (stage.finish.ending, STOP in stage.stored) == (Ending.SAFETY_STOP, True)
    assert "96" in stage.finish.text


def test_a_stop_whose_reason_never_comes_is_a_safety_stop_all_the_same() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.feed(LoadStopped())
    for lane in (0, 1):
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns, stopped=True))
    stage.tick(REASON_SECONDS + 0.1)
    assert stage.finish is not None
    assert stage.finish.ending is Ending.SAFETY_STOP
    assert "reason was not heard" in stage.finish.text


def test_a_lane_that_does_not_obey_the_guard_is_killed_in_time() -> None:
    stage = held(simple(limit_seconds=0.5), m.Go)
    stage.begin()
    stage.feed(LimitExceeded(STOP))
    stage.tick(0.6)
    assert KillLane(0) in stage.instructions
    assert stage.finish is not None
    assert not stage.failures


@pytest.mark.parametrize("heard_late_seconds", [0.0, 0.45, 0.75])
def test_two_intervals_count_from_the_flag_and_not_from_when_the_parent_saw_it(
    heard_late_seconds: float,
) -> None:
    """The next turn may come one wake late, and a killed lane must be gone by then."""
    stage = held(simple(limit_seconds=1.0), m.Go)
    stage.begin()
    raised_ns = stage.now_ns - round(heard_late_seconds * NS_PER_SECOND)
    stage.feed(LimitExceeded(STOP))  # either may be heard first
    stage.feed(LoadStopped(raised_ns))
    left = 1.0 - KILL_LEAD_SECONDS - heard_late_seconds
    stage.tick(left - 0.01)
    assert KillLane(0) not in stage.instructions
    stage.tick(0.02)
    assert KillLane(0) in stage.instructions


@pytest.mark.parametrize("reason_first", [True, False])
@pytest.mark.parametrize(
    ("guard_seconds", "left_seconds"),
    [
        (0.0, 2.0 - KILL_LEAD_SECONDS),
        (1.0, 2.0 - KILL_LEAD_SECONDS - 1.0),
        (1.75, SPARED_SECONDS),  # lanes between passes may end by themselves all the same
    ],
)
def test_two_intervals_count_from_the_first_reading_over_the_limit_and_are_granted_once(
    guard_seconds: float, left_seconds: float, reason_first: bool
) -> None:
    """One sample a second; what the guard took is gone. The parent sees it 50 ms late."""
    stage = held(simple(limit_seconds=2.0), m.Go)
    stage.begin()
    raised_ns = stage.now_ns
    flag = stage.conductor.state.axis.seconds(raised_ns)
    heard: list[Happening] = [
        LimitExceeded(replace(STOP, at_seconds=flag), flag - guard_seconds),
        LoadStopped(raised_ns),
    ]
    stage.now_ns += NS_PER_SECOND // 20
    for happening in heard if reason_first else reversed(heard):
        stage.feed(happening)
    stage.tick(left_seconds - 0.05 - 0.01)
    assert KillLane(0) not in stage.instructions
    stage.tick(0.02)
    assert KillLane(0) in stage.instructions


def wrong_in_lane_0(stage: Stage) -> m.Mismatch:
    return m.Mismatch(0, 0, stage.run_of(0).stretch, 0, stage.now_ns, "x", "transient")


def test_a_second_opinion_under_way_is_ended_in_time_when_a_limit_is_exceeded() -> None:
    stage = simple(limit_seconds=1.0)

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if isinstance(order, m.Go):
            done = stage.done(lane, stage.run_of(lane), order.start_ns, stopped=True)
            return [done] if lane else [wrong_in_lane_0(stage), replace(done, failures=1)]
        return [] if isinstance(order, m.Recheck) else None

    stage.answering = answer
    stage.begin()
    assert isinstance(stage.orders[-1][1], m.Recheck)
    flag = stage.conductor.state.axis.seconds(stage.now_ns)
    stage.feed(LoadStopped(stage.now_ns))
    stage.feed(LimitExceeded(replace(STOP, at_seconds=flag)))
    stage.tick(1.0 - KILL_LEAD_SECONDS - 0.01)
    assert stage.finish is None
    stage.now_ns += NS_PER_SECOND // 50
    stage.feed(LoadStopped(stage.now_ns))  # the lane's answer may still be unheard in this turn
    assert not [it for it in stage.instructions if isinstance(it, KillLane)]
    stage.tick(0.0)
    assert [it for it in stage.instructions if isinstance(it, KillLane)] == [KillLane(1)]
    assert stage.finish is not None
    assert [it.kind for it in stage.failures] == [FailureKind.WRONG_RESULT]


@pytest.mark.parametrize("limit_first", [True, False])
def test_no_second_opinion_is_asked_for_once_a_limit_is_exceeded(limit_first: bool) -> None:
    """It is a pass of load. A wrong result may be heard in the same turn as the stop."""
    stage = held(simple(limit_seconds=1.0, stop_on_failure=False), m.Go)
    stage.begin()
    heard = [LoadStopped(stage.now_ns), LimitExceeded(STOP), wrong_in_lane_0(stage)]
    for happening in heard if limit_first else reversed(heard):
        stage.feed(happening)
    for lane in (0, 1):
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns, stopped=True))
    assert not [order for _, order in stage.orders if isinstance(order, m.Recheck)]
    assert stage.finish is not None
    assert stage.finish.ending is Ending.SAFETY_STOP
    assert [it.kind for it in stage.failures] == [FailureKind.WRONG_RESULT]


def test_a_limit_hurries_a_stop_that_was_ordered_for_another_reason() -> None:
    stage = held(simple(limit_seconds=0.5), m.Go)
    stage.begin()
    stage.feed(Interrupted("SIGINT"))
    stage.feed(LimitExceeded(STOP))
    stage.tick(0.5)
    assert KillLane(0) in stage.instructions
    assert stage.finish is not None
    assert stage.finish.ending is Ending.INTERRUPTED


def test_lanes_that_obeyed_while_the_parent_was_starved_are_heard_and_not_killed() -> None:
    stage = held(simple(limit_seconds=0.5), m.Go)
    stage.begin()
    stage.feed(LoadStopped(stage.now_ns - 3 * NS_PER_SECOND))
    for lane in (0, 1):
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns, stopped=True))
    stage.feed(LimitExceeded(STOP))
    stage.tick(0.1)
    assert not [item for item in stage.instructions if isinstance(item, KillLane)]
    assert [len(trial.lanes) for trial in stage.trials] == [2]


def test_a_suspend_under_load_spoils_the_trial() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.feed(Suspended(30.0))
    for lane in (0, 1):
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns))
    assert [trial.valid for trial in stage.trials] == [False]
    assert any(event.kind is EventKind.SUSPENDED for event in stage.events)


def after_suspend() -> Stage:
    leg = Leg({0: 0, 1: 0}, seconds=1.0)
    step = Step(0, 0, 0, (leg,), "after-suspend", after_suspend_seconds=20.0)
    return Stage(plan((load(trials=0, soak_seconds=1.0),), (step,)))


def test_load_after_suspend_waits_for_the_machine_to_wake() -> None:
    stage = after_suspend()
    stage.begin()
    stage.tick(5.0)
    assert not stage.soaks
    stage.feed(Suspended(25.0))
    stage.tick(0.1)
    assert [item.complete for item in stage.soaks] == [True]


def test_a_suspend_that_never_comes_leaves_the_load_untested() -> None:
    stage = after_suspend()
    stage.begin()
    stage.tick(901.0)
    stage.tick(0.1)
    assert stage.finish is not None
    assert not stage.soaks
    assert any(event.kind is EventKind.WARNING for event in stage.events)


def test_a_harness_that_stood_still_blames_nobody_and_spoils_the_trial() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.now_ns += 4 * 10**9
    stage.feed(StoodStill(4.0, load_stopped=False))
    stage.tick(0.1, silent_seconds={0: 0.1, 1: 0.1})
    assert not stage.failures
    for lane in (0, 1):
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns))
    assert [trial.valid for trial in stage.trials] == [False]
    assert any("stood still for 4.0 s" in event.text for event in stage.events)


def test_a_long_stop_of_everything_ends_the_soak_as_incomplete_to_be_resumed() -> None:
    stage = held(soak(60.0), m.Go)
    stage.begin()
    stage.now_ns += 3600 * 10**9
    stage.feed(StoodStill(3600.0, load_stopped=False))
    stage.tick(0.1, verified={0: 0, 1: 0})
    for lane in (0, 1):  # their time was up when they went on
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns))
    assert stage.finish is not None
    assert stage.finish.ending is Ending.INTERRUPTED
    assert not stage.failures
    assert stage.soaks and not any(item.complete for item in stage.soaks)


@pytest.mark.parametrize("order", [m.Prepare, m.Probe, m.Run])
def test_time_in_which_nobody_could_be_heard_is_no_ones_lateness(order: type) -> None:
    stage = held(simple(), order)
    stage.begin()
    stage.now_ns += 3600 * 10**9
    stage.feed(StoodStill(3600.0, load_stopped=False))
    stage.tick(0.1)
    assert not stage.failures


def test_lanes_that_stopped_by_themselves_leave_the_run_undecided_and_not_failed() -> None:
    stage = held(soak(60.0), m.Go)
    stage.begin()
    stage.feed(StoodStill(7.0, load_stopped=True))
    for lane in (0, 1):
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns, stopped=True))
    assert stage.finish is not None
    assert stage.finish.ending is Ending.INTERRUPTED
    assert not stage.failures
    assert [item.complete for item in stage.soaks] == [False]
    (told,) = [event for event in stage.events if event.kind is EventKind.INTERRUPTED]
    assert told.data == {"stood_still_seconds": 7.0}


def test_storage_that_fails_is_told_once_however_often_it_is_heard() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    for _ in range(3):
        stage.feed(StorageFailed("the disk is full"))
    assert [event.text for event in stage.events if "full" in event.text] == ["the disk is full"]
