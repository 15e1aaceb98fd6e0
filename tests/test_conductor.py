"""The conductor decides without I/O: every ending, failure and deadline, on fake lanes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.board import StopReason
from harness.conductor import REASON_SECONDS, RECHECK_SECONDS, STOP_SECONDS, Policy
from harness.happenings import (
    Happening,
    HelperDied,
    Interrupted,
    KillLane,
    LaneDied,
    LimitExceeded,
    LoadStopped,
    Release,
    StoodStill,
    StopLoad,
    StorageFailed,
    Suspended,
)
from harness.lanes import messages as m
from harness.lanes.gate import SquareWave
from harness.outcome import Ending
from harness.phases.state import GATHER_SECONDS, HANG_SECONDS, PREPARE_SECONDS
from harness.plan import Leg, Step
from harness.profile.model import StartWhen
from harness.results import EventKind, FailureKind, SafetyStop
from tests.acting import GOLDEN, Stage, load, plan, trial_steps

STOP = SafetyStop("cpu", 96.0, 95.0, "°C", 1.0, "the maker's")


def simple(lanes: int = 2, **policy: object) -> Stage:
    return Stage(plan((load(),), trial_steps(0, 3, lanes), lanes), Policy(**policy))  # type: ignore[arg-type]


def going_on(**policy: object) -> Stage:
    return simple(stop_on_failure=False, **policy)


def soak(seconds: float = 60.0, lanes: int = 2) -> Stage:
    leg = Leg(dict.fromkeys(range(lanes), 0), seconds=seconds)
    steps = (Step(0, 0, 0, (leg,), "all-lanes"),)
    return Stage(plan((load(trials=0, soak_seconds=seconds),), steps, lanes))


def held(stage: Stage, order: type, lane: int | None = None) -> Stage:
    """Let lanes (or one) never answer orders of this type."""

    def answer(number: int, given: m.Order) -> list[Happening] | None:
        silent = isinstance(given, order) and lane in {None, number}
        return [] if silent else None

    stage.answering = answer
    return stage


def test_a_quiet_run_stores_every_trial_and_completes() -> None:
    stage = simple()
    finish = stage.play()
    assert finish.ending is Ending.COMPLETED
    assert [trial.round for trial in stage.trials] == [1, 2, 3]
    assert all(trial.valid for trial in stage.trials)
    assert not stage.failures


def test_the_rate_of_a_trial_is_the_sum_of_its_lanes() -> None:
    stage = simple(lanes=4)
    stage.play()
    per_lane = stage.trials[0].lanes[0].work / stage.trials[0].lanes[0].seconds
    assert stage.trials[0].rate == pytest.approx(4 * per_lane)


def test_calibration_freezes_golden_and_passes_in_the_record() -> None:
    stage = simple()
    stage.play()
    assert stage.infos[-1].golden == f"{GOLDEN:016x}"
    assert dict(stage.infos[-1].passes) == {0: 20, 1: 20}  # 1 s trials of 50 ms passes


def test_lanes_start_together_in_the_future() -> None:
    stage = simple()
    stage.play()
    starts = {order.start_ns for _, order in stage.orders if isinstance(order, m.Go)}
    assert len(starts) == 3  # one instant a trial, the same for both lanes


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


def test_readings_must_reach_back_over_the_whole_window_to_count_as_settled() -> None:
    stage = simple(start_when=RULE)
    stage.begin()
    for _ in range(29):
        stage.tick(1.0)
    for _ in range(5):
        stage.tick(1.0, channels={"cpu_temperature": 45.0})
    assert not stage.trials
    for _ in range(6):
        stage.tick(1.0, channels={"cpu_temperature": 45.0})
    assert len(stage.trials) == 3


def test_only_valid_trials_count_towards_the_minimum() -> None:
    loads = (load(trials=10, minimum_trials=3, half_width_percent=5.0),)
    stage = Stage(plan(loads, trial_steps(0, 10, 2)), Policy(stop_on_failure=False))
    spoil(stage, bad_lane=0)
    stage.play()
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


def test_frozen_work_is_reused() -> None:
    base = plan((load(),), trial_steps(0, 1, 2))
    stage = Stage(replace(base, frozen_passes={"mill": {0: 7, 1: 9}}))
    stage.play()
    assert [lane.passes for lane in stage.trials[0].lanes] == [7, 9]


def test_an_unavailable_load_is_told_with_its_reason_and_not_run() -> None:
    loads = (load(), load(1, "cc", available=False, reason="no C compiler"))
    stage = Stage(plan(loads, trial_steps(0, 1, 2)))
    stage.play()
    told = next(item for item in stage.infos if item.name == "cc")
    assert (told.available, told.reason) == (False, "no C compiler")


def test_a_soak_tells_its_progress_and_its_end() -> None:
    stage = held(soak(60.0), m.Go)
    stage.begin()
    stage.tick(1.0, verified={0: 5, 1: 6})
    stage.tick(11.0, verified={0: 105, 1: 106})
    partial = stage.soaks[-1]
    assert not partial.complete
    assert [lane.verified for lane in partial.lanes] == [100, 100]
    assert partial.lanes[0].pass_p10_seconds is None
    for lane in (0, 1):
        stage.feed(stage.done(lane, stage.run_of(lane), stage.now_ns))
    assert stage.finish is not None
    assert stage.soaks[-1].complete
    assert stage.soaks[-1].number == partial.number


@pytest.mark.parametrize(("frequency", "warned"), [(1.0, False), (5.0, True)])
def test_passes_too_long_for_the_load_steps_are_warned_of(frequency: float, warned: bool) -> None:
    gate = SquareWave.of(frequency, 50.0)  # passes take 50 ms
    step = Step(0, 0, 0, (Leg({0: 0, 1: 0}, seconds=2.0),), "load-steps", gate)
    stage = Stage(plan((load(trials=0, soak_seconds=2.0),), (step,)))
    stage.play()
    assert any("edges are blurred" in event.text for event in stage.events) is warned


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


RULE = StartWhen(channel="cpu_temperature", within_celsius=1.0, for_seconds=10, at_most_seconds=60)


def test_the_start_waits_until_the_temperature_has_settled() -> None:
    stage = simple(start_when=RULE)
    stage.begin()
    for number in range(30):
        value = 60.0 - number if number < 15 else 45.0
        stage.tick(1.0, channels={"cpu_temperature": value})
        if number < 20:
            assert not stage.trials
    assert len(stage.trials) == 3


def test_a_temperature_that_is_not_there_delays_only_so_long_and_is_said() -> None:
    stage = simple(start_when=RULE)
    stage.begin()
    for _ in range(61):
        stage.tick(1.0)
    assert len(stage.trials) == 3
    assert any("gave no reading" in event.text for event in stage.events)


def test_an_interruption_while_waiting_ends_at_once() -> None:
    stage = simple(start_when=RULE)
    stage.begin()
    stage.feed(Interrupted("SIGTERM"))
    assert stage.finish is not None


def test_trials_end_early_once_the_interval_is_narrow() -> None:
    loads = (load(trials=10, minimum_trials=3, half_width_percent=5.0),)
    stage = Stage(plan(loads, trial_steps(0, 10, 2)))
    stage.play()
    assert len(stage.trials) == 3  # identical trials: zero spread


def test_pairs_give_one_trial_with_a_reading_for_each_pair() -> None:
    legs = tuple(Leg({a: 0, b: 0}, paired=True) for a, b in ((0, 1), (0, 2), (1, 2)))
    loads = (load(paired=True, pattern="pairs", trials=1),)
    stage = Stage(plan(loads, (Step(0, 0, 1, legs, "pairs"),), lanes=3))
    stage.play()
    lanes = stage.trials[0].lanes
    assert [(item.lane, item.readings["peer_lane"]) for item in lanes] == [(0, 1), (0, 2), (1, 2)]
    ends = [
        order.pairing.end
        for _, order in stage.orders
        if isinstance(order, m.Prepare) and order.pairing is not None
    ]
    assert ends.count(0) == ends.count(1)


def test_error_counters_are_watched_on_after_the_last_load() -> None:
    stage = simple(watch_seconds=300.0)
    stage.begin()
    stage.tick(299.0)
    assert len(stage.trials) == 3
    assert stage.finish is None
    stage.tick(2.0)
    assert stage.finish is not None
    assert any("error counters are watched" in event.text for event in stage.events)


def test_planned_boots_end_with_the_request_to_restart() -> None:
    stage = simple(ending=Ending.AWAITING_BOOT, ending_text="boot 1 of 3 done")
    finish = stage.play()
    assert (finish.ending, finish.text) == (Ending.AWAITING_BOOT, "boot 1 of 3 done")


def test_tasks_are_dropped_when_memory_only_suffices_for_one() -> None:
    loads = (load(), load(1, "saw"))
    steps = (*trial_steps(0, 1, 2), *trial_steps(1, 1, 2, first=1))
    stage = Stage(replace(plan(loads, steps), keep_prepared=False))
    stage.play()
    drops = [order.load for _, order in stage.orders if isinstance(order, m.Drop)]
    assert drops.count(0) >= 2
    assert len(stage.trials) == 2


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


def two_loads(described: frozenset[int] = frozenset()) -> Stage:
    """Only the second of two loads has work in this boot."""
    loads = (load(), load(1, "other"))
    base = plan(loads, trial_steps(1, 2, 2))
    return Stage(replace(base, described=described))


def test_a_load_without_work_in_this_boot_is_told_as_available_and_not_warmed() -> None:
    stage = two_loads()
    stage.play()
    first = stage.infos[0]
    assert (first.name, first.available, first.golden) == ("mill", True, None)
    assert {order.load for _, order in stage.orders if isinstance(order, m.Prepare)} == {1}


def test_what_an_earlier_part_has_settled_of_a_load_is_not_overwritten() -> None:
    stage = two_loads(described=frozenset({0, 1}))
    stage.play()
    assert {info.number for info in stage.infos} == {1}
    assert len(stage.trials) == 2
