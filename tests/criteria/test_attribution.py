"""Which load a failure belongs to."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import (
    evidence,
    failure,
    load_evidence,
    load_info,
    run_data,
)

from harness.criteria.attribution import failures_of, failures_under_load
from harness.criteria.exposure import exposure_of
from harness.results import Event, EventKind, FailureKind

TWO = (load_info(), replace(load_info("other", 1, trials=0), workload="spin"))


@pytest.mark.parametrize(
    ("at_seconds", "owners"),
    [
        (12.0, ["spin"]),
        (150.0, ["other"]),
        (704.0, ["other"]),
        (5.0, ["spin", "other"]),
        (900.0, ["spin", "other"]),
    ],
)
def test_a_failure_belongs_to_the_load_that_ran_and_else_to_all_of_its_workload(
    at_seconds: float, owners: list[str]
) -> None:
    data = run_data(loads=TWO, failures=(failure(at_seconds=at_seconds),))
    assert [load.name for load in TWO if failures_of(load, data)] == owners


def test_a_failure_of_another_workload_belongs_to_none() -> None:
    data = run_data(loads=TWO, failures=(failure(workload="roll", at_seconds=12.0),))
    assert [failures_of(load, data) for load in TWO] == [(), ()]


CRASHES = [FailureKind.MACHINE_RESTARTED, FailureKind.PROCESS_DIED]


@pytest.mark.parametrize("kind", CRASHES)
@pytest.mark.parametrize("workload", [None, "spin"])
@pytest.mark.parametrize(("at_seconds", "errors"), [(12.0, 1), (13.5, 0), (90.0, 0)])
def test_a_crash_is_an_error_of_the_load_that_was_running(
    kind: FailureKind, workload: str | None, at_seconds: float, errors: int
) -> None:
    crash = failure(kind, workload=workload, lane=None, core=None, at_seconds=at_seconds)
    data = run_data(failures=(crash,))
    assert exposure_of(load_evidence(), evidence(data)).failures == errors
    assert len(failures_under_load(data)) == errors


@pytest.mark.parametrize("kind", [*CRASHES, FailureKind.LANE_DIED])
def test_a_death_in_a_trial_that_left_nothing_else_behind_is_found_by_the_events(
    kind: FailureKind,
) -> None:
    events = (
        Event(EventKind.LOAD_STARTED, 40.0, "spin", {"load": 0}),
        Event(EventKind.LOAD_ENDED, 43.0, "spin", {"load": 0}),
        Event(EventKind.LOAD_STARTED, 50.0, "other", {"load": 1}),
    )
    for at_seconds, owners in ((42.0, ["spin"]), (46.0, []), (77.0, ["other"])):
        died = failure(kind, workload=None, at_seconds=at_seconds)
        data = run_data(loads=TWO, trials=(), soaks=(), events=events, failures=(died,))
        assert [load.name for load in TWO if failures_of(load, data)] == owners


def test_a_restart_may_be_any_cores_and_counts_on_each() -> None:
    crash = failure(
        FailureKind.MACHINE_RESTARTED, workload=None, lane=None, core=None, at_seconds=12.0
    )
    done = exposure_of(load_evidence(), evidence(run_data(failures=(crash,))))
    assert [core.failures for core in done.cores.values()] == [1, 1]
