"""The conductor decides without I/O: the course of a quiet run, on fake lanes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.happenings import Happening, Interrupted
from harness.lanes import messages as m
from harness.lanes.gate import Bursts, Gate, SquareWave
from harness.outcome import Ending
from harness.phases.afterwatch import HANDOVER_SECONDS
from harness.plan import Leg, Step
from harness.profile.model import StartWhen
from harness.results import EventKind
from tests.acting import (
    GOLDEN,
    PASS_SECONDS,
    Stage,
    held,
    load,
    plan,
    simple,
    soak,
    trial_steps,
    varied,
)


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


def test_a_lane_without_clock_works_and_is_told_once_with_the_reason() -> None:
    stage = simple()

    def answer(lane: int, order: m.Order) -> list[Happening] | None:
        if not isinstance(order, m.Run) or lane != 1:
            return None
        stage.note_run(lane, order)
        return [m.Ready(lane, order.stretch, no_clock="the clock probe cannot be compiled: x")]

    stage.answering = answer
    assert stage.play().ending is Ending.COMPLETED
    assert [trial.valid for trial in stage.trials] == [True] * 3
    told = [event for event in stage.events if "clock" in event.text]
    assert [(event.kind, event.data["lane"]) for event in told] == [(EventKind.WARNING, 1)]
    assert told[0].text.endswith("show no clock: the clock probe cannot be compiled: x")


def test_lanes_start_together_in_the_future() -> None:
    stage = simple()
    stage.play()
    starts = {order.start_ns for _, order in stage.orders if isinstance(order, m.Go)}
    assert len(starts) == 3  # one instant a trial, the same for both lanes


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


@pytest.mark.parametrize(
    "gate", [SquareWave.of(1.0, 5.0), Bursts(seed=1, idle_ns=4 * 10**9, burst_ns=2 * 10**8)]
)
def test_the_pauses_of_an_unfinished_pattern_are_no_time_under_load(gate: Gate) -> None:
    """Its record is all that a crash leaves: twenty passes of 50 ms in 30 s are 1 s of load."""
    step = Step(0, 0, 0, (Leg({0: 0, 1: 0}, seconds=60.0),), "load-steps", gate)
    stage = held(Stage(plan((load(trials=0, soak_seconds=60.0),), (step,))), m.Go)
    stage.begin()
    stage.tick(0.0, verified={0: 0, 1: 0})
    stage.tick(30.0, verified={0: 20, 1: 20})
    for lane in stage.soaks[-1].lanes:
        assert lane.verified * lane.pass_mean_seconds == pytest.approx(20 * PASS_SECONDS)
    # However many passes there were, they fill no more than all the time.
    stage.tick(30.0, verified={0: 6000, 1: 6000})
    worked = [lane.verified * lane.pass_mean_seconds for lane in stage.soaks[-1].lanes]
    assert worked == [pytest.approx(59.95)] * 2


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
    assert len(stage.trials) == 10  # identical trials have no interval that could be narrow
    drifting = varied(Stage(plan(loads, trial_steps(0, 10, 2))))
    drifting.play()
    assert len(drifting.trials) == 3


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
    # What the kernel found in its last poll is read within a second, and handed over after that.
    stage.tick(HANDOVER_SECONDS + 0.9)
    assert stage.finish is None
    stage.tick(0.2)
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
