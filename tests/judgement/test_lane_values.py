"""What each lane did, in the unit of its load; readings in the order of their numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import lane, load_info, run_data, soak, trial

from harness.judgement.causes import Causes
from harness.judgement.loads import judge_loads
from harness.judgement.throughput import lane_value
from harness.results import RunData, WorkloadResult
from harness.statistics.outliers import RejectionPolicy


def results(data: RunData) -> list[WorkloadResult]:
    return [item.result for item in judge_loads(data, Causes(data), 0.95, RejectionPolicy())]


def test_a_latency_of_a_lane_is_seconds_per_piece_of_work_like_that_of_the_load() -> None:
    info = replace(load_info(), lower_is_better=True)
    slow, quick = lane(0, work=10.0, seconds=2.0), lane(1, work=40.0, seconds=2.0)
    data = run_data(loads=(info,), trials=(trial(0, 1.0, lanes=(slow, quick)),), soaks=())
    assert [item.rate_mean for item in results(data)[0].lanes] == [0.2, 0.05]


def test_a_load_that_was_only_soaked_tells_its_lanes_values_without_the_pauses() -> None:
    worked = lane(0, work=90.0, passes=30, seconds=60.0, pass_mean_seconds=1.0)
    data = run_data(trials=(), soaks=(soak(60.0, lanes=(worked,)),))
    found = results(data)[1]
    assert [item.rate_mean for item in found.lanes] == [3.0]  # 90 in 30 s, not in 60 s
    assert (found.trials, found.boots) == (0, 1)


def test_a_lane_that_did_nothing_has_no_value() -> None:
    assert lane_value(lane(0, work=0.0), load_info()) is None
    assert lane_value(lane(0, passes=0), load_info()) is None
    assert lane_value(lane(0, seconds=0.0), load_info()) is None


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        (("of 131072 B", "of 1024 B", "of 128 B"), ["of 128 B", "of 1024 B", "of 131072 B"]),
        (("b", "a 2", "a 10"), ["a 2", "a 10", "b"]),
    ],
)
def test_readings_stand_in_the_order_of_their_numbers(
    given: tuple[str, ...], wanted: list[str]
) -> None:
    readings = dict.fromkeys(given, 1.0)
    data = run_data(trials=(trial(0, 1.0, lanes=(lane(0, readings=readings),)),))
    assert list(results(data)[0].readings) == wanted
