"""Lanes that die, hang, compute wrongly or disagree: what the conductor makes of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.board import StopReason
from harness.conductor import RECHECK_SECONDS, STOP_SECONDS, Policy
from harness.happenings import (
    Happening,
    KillLane,
    LaneDied,
    Release,
    StopLoad,
)
from harness.lanes import messages as m
from harness.outcome import Ending
from harness.phases.state import GATHER_SECONDS, HANG_SECONDS, PREPARE_SECONDS
from harness.plan import Leg, Step
from harness.results import EventKind, FailureKind
from tests.acting import GOLDEN, Stage, going_on, held, load, plan, simple, trial_steps, varied


def test_a_dead_lane_stops_the_run_and_is_explained() -> None:
    stage = held(simple(), m.Go, lane=1)
    stage.begin()
    stage.feed(LaneDied(1, "killed by signal 11, SIGSEGV", "Fatal Python error\nin digest"))
    assert stage.finish is not None
    assert stage.finish.ending is Ending.STOPPED_ON_FAILURE
    assert stage.failures[0].kind is FailureKind.LANE_DIED
    assert stage.failures[0].core == 1
    assert "SIGSEGV" in stage.failures[0].detail
    assert "in digest" in stage.failures[0].detail


def test_the_other_lanes_go_on_when_the_profile_says_so() -> None:
    stage = held(going_on(), m.Go, lane=1)
    stage.begin()
    stage.feed(LaneDied(1, "killed by signal 9, SIGKILL"))
    assert stage.finish is not None
    assert stage.finish.ending is Ending.COMPLETED
    first, *others = stage.trials
    assert not first.valid
    assert [lane.lane for lane in others[0].lanes] == [0]


def test_a_run_without_lanes_ends() -> None:
    stage = held(going_on(), m.Go)
    stage.begin()
    stage.feed(LaneDied(0, "exit code 1"))
    stage.feed(LaneDied(1, "exit code 1"))
    assert stage.finish is not None
    assert stage.finish.ending is Ending.STOPPED_ON_FAILURE


def wrong(lane: int, order: m.Run, kind: str = "transient") -> m.Mismatch:
    return m.Mismatch(lane, order.load, order.stretch, 3, 1_000_500_000_000, f"{kind}: ...", kind)


def spoil(stage: Stage, bad_lane: int) -> Stage:
    """Lane `bad_lane` computes wrongly in its first stretch."""

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if not isinstance(order, m.Go) or lane != bad_lane or order.stretch != 1:
            return None
        run = stage.run_of(lane)
        done = stage.done(lane, run, order.start_ns, failures=1, stopped=run.stop_on_failure)
        return [wrong(lane, run), done]

    stage.answering = answer
    return stage


def test_a_wrong_result_names_workload_lane_and_core_and_asks_another_core() -> None:
    stage = spoil(simple(), bad_lane=1)
    finish = stage.play()
    failure = stage.failures[0]
    assert finish.ending is Ending.STOPPED_ON_FAILURE
    assert (failure.kind, failure.workload, failure.lane, failure.core) == (
        FailureKind.WRONG_RESULT,
        "mill",
        1,
        1,
    )
    rechecks = [(lane, order) for lane, order in stage.orders if isinstance(order, m.Recheck)]
    assert [lane for lane, _ in rechecks] == [0]
    diagnosis = next(item for item in stage.events if item.kind is EventKind.DIAGNOSIS)
    assert diagnosis.data == {"failure": 0, "lane": 0, "right": True}


def test_an_invariant_that_fails_after_the_last_pass_is_a_wrong_result() -> None:
    stage = going_on()

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if not isinstance(order, m.Go) or lane != 1 or order.stretch != 1:
            return None
        run = stage.run_of(lane)
        return [stage.done(lane, run, order.start_ns, doubts=("last sweep: word 7 differs",))]

    stage.answering = answer
    stage.play()
    assert [(item.kind, item.lane) for item in stage.failures] == [(FailureKind.WRONG_RESULT, 1)]
    assert "word 7 differs" in stage.failures[0].detail
    assert [trial.valid for trial in stage.trials] == [False, True, True]


def test_a_lane_that_failed_on_the_way_has_not_failed_twice_at_the_end() -> None:
    stage = spoil(going_on(), bad_lane=1)
    spoilt = stage.answering
    assert spoilt is not None

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        said = spoilt(lane, order)
        return said and [
            replace(item, doubts=("checksum row 3 off",)) if isinstance(item, m.Done) else item
            for item in said
        ]

    stage.answering = answer
    stage.play()
    assert [(item.kind, item.lane) for item in stage.failures] == [(FailureKind.WRONG_RESULT, 1)]
    warned = [item.text for item in stage.events if item.kind is EventKind.WARNING]
    assert any("lane 1" in text and "checksum row 3 off" in text for text in warned)


def test_the_trial_with_a_wrong_result_is_kept_but_not_valid() -> None:
    stage = spoil(going_on(), bad_lane=0)
    stage.play()
    assert [trial.valid for trial in stage.trials] == [False, True, True]


def test_a_second_opinion_that_never_comes_holds_nothing_up() -> None:
    stage = spoil(simple(), bad_lane=1)
    spoilt = stage.answering
    assert spoilt is not None
    stage.answering = lambda lane, order: (
        [] if isinstance(order, m.Recheck) else spoilt(lane, order)
    )
    stage.begin()
    assert stage.finish is None
    stage.tick(RECHECK_SECONDS + 1)
    assert stage.finish is not None


@pytest.mark.parametrize(
    ("order", "seconds"),
    [(m.Prepare, PREPARE_SECONDS), (m.Probe, PREPARE_SECONDS), (m.Run, PREPARE_SECONDS)],
)
def test_a_lane_that_never_answers_is_ended_with_its_core_named(
    order: type, seconds: float
) -> None:
    stage = held(simple(), order, lane=1)
    stage.begin()
    stage.tick(seconds + 1)
    stage.tick(STOP_SECONDS + 1)
    assert stage.failures[0].kind is FailureKind.LANE_HUNG
    assert stage.failures[0].core == 1
    assert KillLane(1) in stage.instructions


def probing(limit_seconds: float = PREPARE_SECONDS) -> Stage:
    """Lane 1 has built a load whose pass may last `limit_seconds` and owes its probe."""
    stage = simple()

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if isinstance(order, m.Prepare):
            return [m.Prepared(lane, order.load, 1.0, "path", 0.01, limit_seconds)]
        return [] if isinstance(order, m.Probe) and lane == 1 else None

    stage.answering = answer
    stage.begin()
    return stage


def test_a_probe_with_long_passes_lives_on_by_its_heartbeats() -> None:
    stage = probing()
    for _ in range(10):
        stage.tick(100.0, silent_seconds={1: 65.0})
    assert not stage.failures
    stage.answering = None
    stage.feed(m.Probed(1, 0, (65.0,) * 3, (GOLDEN,) * 3, ()))
    stage.tick(0.1)
    assert len(stage.trials) == 3
    assert not stage.failures


def test_a_probe_without_a_heartbeat_for_the_longest_pass_has_hung() -> None:
    stage = probing()
    stage.tick(PREPARE_SECONDS + 20, silent_seconds={1: 100.0})
    stage.tick(79.0, silent_seconds={1: PREPARE_SECONDS - 1})
    assert not stage.failures
    stage.tick(2.0, silent_seconds={1: PREPARE_SECONDS + 1})
    assert stage.failures[0].kind is FailureKind.LANE_HUNG
    assert stage.failures[0].core == 1


def test_a_pair_that_died_before_it_was_built_leaves_the_rest_to_go_on() -> None:
    leg = Leg({2: 0, 3: 0}, paired=True)
    pair = Leg({0: 0, 1: 0}, paired=True)
    steps = tuple(Step(at, 0, 1, (it,), "pairs") for at, it in enumerate((pair, leg)))
    stage = held(
        Stage(plan((load(paired=True),), steps, 4), Policy(stop_on_failure=False)), m.Prepare
    )
    stage.begin()
    for lane in (0, 1):
        stage.feed(LaneDied(lane, "killed by signal 9, SIGKILL"))
    assert any(isinstance(order, m.Probe) for _, order in stage.orders)
    assert [item.kind for item in stage.failures] == [FailureKind.LANE_DIED] * 2


def test_a_pass_that_may_be_long_is_given_its_time_and_no_more() -> None:
    stage = probing(limit_seconds=780.0)
    stage.tick(779.0, silent_seconds={1: 779.0})
    assert not stage.failures
    stage.tick(2.0, silent_seconds={1: 781.0})
    assert stage.failures[0].kind is FailureKind.LANE_HUNG


def test_a_program_may_run_up_to_its_time_out_though_the_probed_run_was_short() -> None:
    stage = simple()

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if isinstance(order, m.Prepare):
            return [m.Prepared(lane, order.load, 1.0, "path", 0.01, 780.0, 600.0)]
        return [] if isinstance(order, m.Go) else None

    stage.answering = answer
    stage.begin()
    stage.tick(599.0, silent_seconds={0: 599.0, 1: 599.0})
    assert not stage.failures
    late = 600.0 + HANG_SECONDS
    stage.tick(late - 598.0, silent_seconds={0: late + 1, 1: late - 1})
    assert [(item.kind, item.lane) for item in stage.failures] == [(FailureKind.LANE_HUNG, 0)]


def test_filling_much_memory_is_given_more_time() -> None:
    big = held(Stage(plan((load(memory_bytes=80 * 10**9),), trial_steps(0, 3, 2))), m.Prepare)
    big.begin()
    big.tick(PREPARE_SECONDS + 999.0)
    assert not big.failures
    big.tick(2.0)
    assert big.failures[0].kind is FailureKind.LANE_HUNG


def test_a_working_lane_without_heartbeat_hangs() -> None:
    stage = held(simple(), m.Go, lane=0)
    stage.begin()
    stage.tick(HANG_SECONDS - 1, silent_seconds={0: HANG_SECONDS - 1})
    assert not stage.failures
    stage.tick(3.0, silent_seconds={0: HANG_SECONDS + 1})
    assert stage.failures[0].kind is FailureKind.LANE_HUNG
    assert stage.failures[0].lane == 0
    assert len(stage.failures) == 1  # its death afterwards is no second failure


def test_a_lane_that_was_ready_early_has_not_hung_while_it_waited() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.tick(1.0, silent_seconds={0: HANG_SECONDS + 30, 1: 0.5})
    assert not stage.failures


def test_a_wrong_result_in_calibration_stops_the_run_too() -> None:
    stage = simple()

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if isinstance(order, m.Probe) and lane == 1:
            return [m.Probed(1, order.load, (0.05,) * 3, (GOLDEN, 7, GOLDEN), ())]
        return None

    stage.answering = answer
    assert stage.play().ending is Ending.STOPPED_ON_FAILURE
    assert not stage.trials


def test_the_other_lanes_are_released_when_one_will_not_finish() -> None:
    stage = held(going_on(), m.Go)
    stage.begin()
    stage.feed(LaneDied(1, "killed by signal 9, SIGKILL"))
    assert Release(1) in stage.instructions
    assert stage.failures[0].workload == "mill"


def test_a_pair_of_which_one_end_fails_is_kept_as_cut_short() -> None:
    legs = (Leg({0: 0, 1: 0}, paired=True),)
    loads = (load(paired=True, pattern="pairs", trials=1),)
    stage = Stage(plan(loads, (Step(0, 0, 1, legs, "pairs"),)), Policy(stop_on_failure=False))

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if isinstance(order, m.Go) and lane == 1:
            return [LaneDied(1, "killed by signal 11, SIGSEGV")]
        return None

    stage.answering = answer
    stage.play()
    assert [trial.valid for trial in stage.trials] == [False]


def test_only_valid_trials_count_towards_the_minimum() -> None:
    loads = (load(trials=10, minimum_trials=3, half_width_percent=5.0),)
    stage = Stage(plan(loads, trial_steps(0, 10, 2)), Policy(stop_on_failure=False))
    varied(spoil(stage, bad_lane=0)).play()
    assert [trial.valid for trial in stage.trials] == [False, True, True, True]


def test_lanes_that_never_start_are_named() -> None:
    stage = simple()
    stage.feed(m.LaneUp(0, 100, 0, 0.01))
    stage.tick(GATHER_SECONDS + 1)
    stage.tick(GATHER_SECONDS + 1)
    assert stage.failures[0].kind is FailureKind.LANE_HUNG
    assert stage.failures[0].lane in {0, 1}


def test_an_exception_in_a_lane_is_a_failure_with_its_last_lines() -> None:
    stage = simple()

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if not isinstance(order, m.Go) or lane != 0:
            return None
        text = "Traceback\n  line\nzlib.error: invalid distance"
        return [m.LaneTrouble(0, order_load(stage), order.stretch, text, "zlib.error: invalid")]

    stage.answering = answer
    stage.play()
    assert stage.failures[0].kind is FailureKind.WORKLOAD_ERROR
    assert "invalid distance" in stage.failures[0].detail


def order_load(stage: Stage) -> int:
    return stage.run_of(0).load


def troubled(stage: Stage, *lanes: int) -> Stage:
    """Let these lanes fail in the warming up of the first stretch, and be well afterwards."""

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if not isinstance(order, m.Run) or order.stretch > 1 or lane not in lanes:
            return None
        text = "Traceback\nMemoryError"
        return [m.LaneTrouble(lane, order.load, order.stretch, text, "MemoryError: ")]

    stage.answering = answer
    return stage


def started(stage: Stage, stretch: int) -> list[tuple[int, tuple[int, ...]]]:
    """The lanes that were told to go, and the absent ones that each was told of."""
    return [
        (lane, order.absent)
        for lane, order in stage.orders
        if isinstance(order, m.Go) and order.stretch == stretch
    ]


def test_a_lane_that_does_not_get_ready_is_left_out_and_is_there_again_in_the_next_trial() -> None:
    policy = Policy(stop_on_failure=False)
    stage = troubled(Stage(plan((load(),), trial_steps(0, 3, 3), 3), policy), 0)
    assert stage.play().ending is Ending.COMPLETED
    assert [failure.kind for failure in stage.failures] == [FailureKind.WORKLOAD_ERROR]
    assert started(stage, 1) == [(1, (0,)), (2, (0,))]
    assert started(stage, 2) == [(0, ()), (1, ()), (2, ())]
    lanes = [(trial.valid, [lane.lane for lane in trial.lanes]) for trial in stage.trials]
    assert lanes == [(False, [1, 2]), (True, [0, 1, 2]), (True, [0, 1, 2])]


def test_where_no_lane_gets_ready_none_is_started() -> None:
    stage = troubled(going_on(), 0, 1)
    stage.play()
    assert started(stage, 1) == []
    assert [trial.valid for trial in stage.trials] == [True, True]
    assert {failure.kind for failure in stage.failures} == {FailureKind.WORKLOAD_ERROR}


def test_a_pair_of_which_one_end_does_not_get_ready_is_not_started() -> None:
    legs = (Leg({0: 0, 1: 0}, paired=True),)
    loads = (load(paired=True, pattern="pairs", trials=1),)
    steps = (Step(0, 0, 1, legs, "pairs"),)
    stage = troubled(Stage(plan(loads, steps), Policy(stop_on_failure=False)), 1)
    assert stage.play().ending is Ending.COMPLETED
    assert started(stage, 1) == []


def test_lanes_that_disagree_are_outvoted_and_named() -> None:
    stage = simple(lanes=3)

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if isinstance(order, m.Probe) and lane == 2:
            return [m.Probed(2, order.load, (0.05,) * 3, (GOLDEN, 7, GOLDEN), ())]
        return None

    stage.answering = answer
    stage.play()
    assert [(item.kind, item.lane) for item in stage.failures] == [(FailureKind.WRONG_RESULT, 2)]


def test_without_a_majority_the_load_is_not_run() -> None:
    stage = going_on()

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if isinstance(order, m.Probe):
            return [m.Probed(lane, order.load, (0.05,) * 3, (lane, 10 + lane, 20 + lane), ())]
        return None

    stage.answering = answer
    stage.play()
    assert {item.kind for item in stage.failures} == {FailureKind.NO_AGREEMENT}
    assert not stage.trials
    assert not stage.infos[-1].available


def test_a_golden_that_differs_from_the_earlier_runs_is_a_failure() -> None:
    base = plan((load(),), trial_steps(0, 1, 2))
    stage = Stage(replace(base, known_goldens={"mill": ("path", 0x1234)}))
    stage.play()
    assert stage.failures[0].kind is FailureKind.WRONG_RESULT
    assert "0x0000000000001234" in stage.failures[0].detail


def test_a_hung_lane_stops_the_run_as_any_failure_does() -> None:
    stage = held(simple(), m.Go)
    stage.begin()
    stage.tick(HANG_SECONDS + 2, silent_seconds={0: HANG_SECONDS + 1, 1: 0.0})
    assert StopLoad(StopReason.PARENT) in stage.instructions
    stage.feed(stage.done(1, stage.run_of(1), stage.now_ns, stopped=True))
    assert stage.finish is not None
    assert stage.finish.ending is Ending.STOPPED_ON_FAILURE
    assert len(stage.failures) == 1


def test_a_hung_lane_is_left_behind_when_the_profile_goes_on() -> None:
    stage = held(going_on(), m.Go, lane=0)
    stage.begin()
    stage.tick(HANG_SECONDS + 2, silent_seconds={0: HANG_SECONDS + 1})
    assert stage.finish is not None
    assert stage.finish.ending is Ending.COMPLETED
    assert [lane.lane for lane in stage.trials[-1].lanes] == [1]
