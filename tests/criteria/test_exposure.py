"""Time under load: what counts, on which core, and what is never added up."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import (
    evidence,
    failure,
    lane,
    load_evidence,
    load_info,
    run_data,
    soak,
    trial,
    working,
)

from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.exposure import exposure_of, hours_before, sustained
from harness.results import Event, EventKind, FailureKind, SoakData

INFO = load_info("steady", 1, workload="spin", trials=0)
HOUR = 3600.0


def judged(*soaks: SoakData, **more: Any) -> tuple[LoadEvidence, Evidence]:
    load = load_evidence(INFO, (), soaks)
    data = run_data(loads=(INFO,), trials=(), soaks=soaks, **more)
    return load, evidence(data, loads=(load,))


def test_only_time_in_verified_passes_counts() -> None:
    # 100 passes of 10 s each; of CPU 5 ten failed; both waited in the pauses of the pattern.
    lanes = (
        lane(0, seconds=2000.0, passes=100, verified=100, pass_mean_seconds=10.0),
        lane(1, seconds=2000.0, passes=100, verified=90, pass_mean_seconds=10.0),
    )
    done = exposure_of(*judged(soak(2000.0, lanes=lanes)))
    assert done.cores["CPU 4"].hours == pytest.approx(1000 / HOUR)
    assert done.cores["CPU 5"].hours == pytest.approx(900 / HOUR)
    assert done.machine_hours == pytest.approx(900 / HOUR)
    assert done.elapsed_hours == pytest.approx(1000 / HOUR)


def test_a_lane_that_was_stopped_before_its_first_pass_ended_has_no_time_under_load() -> None:
    lanes = (lane(0, seconds=8.0, passes=0, verified=0, pass_mean_seconds=0.0),)
    load, found = judged(soak(8.0, lanes=lanes, complete=False))
    done = exposure_of(load, found)
    assert (done.machine_hours, done.cores["CPU 4"].passes) == (0.0, 0)
    assert sustained(load, found).seconds == 0.0


def test_cores_in_turn_are_as_well_tested_as_the_one_with_the_least() -> None:
    one = soak(600.0, number=100, lanes=(working(0, 600.0),))
    other = soak(60.0, number=101, started_seconds=800.0, ended_seconds=860.0,
                 lanes=(working(1, 60.0),))  # fmt: skip
    load, found = judged(one, other)
    done = exposure_of(load, found)
    assert done.machine_hours == pytest.approx(60 / HOUR)
    assert done.elapsed_hours == pytest.approx(660 / HOUR)
    done_in_turn = sustained(load, found)
    assert (done_in_turn.seconds, done_in_turn.on_any_seconds) == pytest.approx((60.0, 660.0))
    assert (done_in_turn.core, done_in_turn.cores) == ("CPU 5", 2)
    assert not done_in_turn.on_every_lane


def test_a_core_whose_turn_never_came_has_no_time() -> None:
    everywhere = trial(0, 100.0, lanes=(working(0, 3.0), working(1, 3.0)))
    first = soak(600.0, pattern="one-lane-moving", lanes=(working(0, 600.0),))
    load = load_evidence(INFO, (), (first,))
    done = sustained(load, evidence(run_data(trials=(everywhere,), soaks=(first,)), loads=(load,)))
    assert (done.seconds, done.core, done.cores) == (0.0, "CPU 5", 2)
    # A half that was asked for is all that is meant.
    half = replace(first, pattern="half-lanes")
    load = load_evidence(INFO, (), (half,))
    done = sustained(load, evidence(run_data(trials=(everywhere,), soaks=(half,)), loads=(load,)))
    assert (done.seconds, done.core, done.cores) == (600.0, "CPU 4", 1)


def test_both_ends_of_a_pair_were_under_the_load() -> None:
    lanes = tuple(working(number, 3.0) for number in range(3))
    everywhere = trial(0, 100.0, lanes=lanes)
    pairs = tuple(
        soak(60.0, number=100 + one + other, pattern="pairs",
             lanes=(working(one, 60.0, readings={"peer_lane": float(other)}),))
        for one, other in ((0, 1), (0, 2), (1, 2))
    )  # fmt: skip
    load = load_evidence(INFO, (), pairs)
    done = sustained(load, evidence(run_data(trials=(everywhere,), soaks=pairs), loads=(load,)))
    assert (done.seconds, done.on_any_seconds, done.cores) == (120.0, 180.0, 3)


def test_all_lanes_at_once_are_every_lane_over_several_stretches() -> None:
    load, found = judged(soak(600.0, complete=False), soak(300.0, number=300))
    done = sustained(load, found)
    assert (done.seconds, done.on_every_lane) == (900.0, True)


def test_a_soak_lasted_as_long_as_its_shortest_lane() -> None:
    load, found = judged(soak(600.0, lanes=(working(0, 600.0), working(1, 240.0))))
    assert sustained(load, found).seconds == pytest.approx(240.0)


def test_both_ends_of_a_pair_have_the_passes_that_one_end_told() -> None:
    alone = trial(0, 100.0, lanes=(working(0, 3.0), working(1, 3.0)))
    pair = soak(600.0, lanes=(working(0, 600.0, readings={"peer_lane": 1.0}),))
    load = load_evidence(INFO, (), (pair,))
    data = run_data(loads=(INFO,), trials=(alone,), soaks=(pair,))
    done = exposure_of(load, evidence(data, loads=(load,)))
    assert {name: core.passes for name, core in done.cores.items()} == {"CPU 4": 30, "CPU 5": 30}


def test_a_core_that_failed_and_verified_nothing_is_among_the_cores() -> None:
    hung = failure(FailureKind.LANE_HUNG, at_seconds=300.0)
    done = exposure_of(*judged(soak(600.0, lanes=(working(0, 600.0),)), failures=(hung,)))
    assert (done.cores["CPU 5"].hours, done.cores["CPU 5"].failures) == (0.0, 1)
    assert done.machine_hours == 0.0


def test_seconds_in_which_the_harness_stood_still_are_no_time_under_load() -> None:
    # Stopped by a terminal for an hour: the pass under way then seems to have lasted that long.
    still = Event(EventKind.INTERRUPTED, 3900.0, "stood still", {"stood_still_seconds": HOUR})
    lanes = (working(0, 3800.0), working(1, 3800.0))
    load, found = judged(soak(3800.0, lanes=lanes, complete=False), events=(still,))
    assert exposure_of(load, found).machine_hours == pytest.approx(200 / HOUR)
    assert sustained(load, found).seconds == pytest.approx(200.0)
    before = replace(still, at_seconds=90.0)
    load, found = judged(soak(3800.0, lanes=lanes), events=(before,))
    assert sustained(load, found).seconds == pytest.approx(3800.0)


@pytest.mark.parametrize(("at_seconds", "seconds"), [(50.0, 0.0), (400.0, 300.0), (9e9, 600.0)])
def test_hours_up_to_a_moment_grow_with_the_stretch(at_seconds: float, seconds: float) -> None:
    load, found = judged(soak(600.0))
    assert hours_before(load, found, at_seconds) == pytest.approx(seconds / HOUR)


def test_a_load_that_never_ran_has_no_core_and_no_time() -> None:
    done = exposure_of(*judged())
    assert (done.machine_hours, done.elapsed_hours, dict(done.cores)) == (0.0, 0.0, {})


def test_a_core_whose_turn_never_came_has_no_time_under_the_load() -> None:
    """Interrupted after two of four turns: nothing can be said of the machine's weakest core."""
    turns = tuple(
        soak(HOUR, number=number, pattern="one-lane-moving", lanes=(working(number, HOUR),))
        for number in range(2)
    )
    load = load_evidence(INFO, (), turns)
    before = soak(HOUR, 0, number=9, lanes=tuple(working(number, HOUR) for number in range(4)))
    data = run_data(loads=(INFO,), trials=(), soaks=(before, *turns))
    found = exposure_of(load, evidence(data, loads=(load,)))
    assert found.machine_hours == 0.0
    assert {name: core.hours > 0 for name, core in found.cores.items()} == {
        "CPU 4": True, "CPU 5": True, "CPU 6": False, "CPU 7": False
    }  # fmt: skip
