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

from harness.criteria.attribution import failures_of
from harness.criteria.exposure import exposure_of
from harness.results import FailureKind

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


def test_a_machine_that_restarted_is_no_error_of_a_load() -> None:
    data = run_data(failures=(failure(FailureKind.MACHINE_RESTARTED, at_seconds=12.0),))
    assert exposure_of(load_evidence(), evidence(data)).failures == 0
