"""What a plan takes over from an earlier run. Oracle: the versions that the registry tells."""

from __future__ import annotations

from typing import Any

import pytest

from harness.context import memory_of
from harness.startup import Memory
from tests.criteria.evidence_samples import load_info, run_data
from workloads import registry

SETTLED: dict[str, Any] = {
    "passes": {0: 5, 1: 6},
    "golden": "0x00000000000000ff",
    "code_path": "some library 1.0",
}


def remembered(workload: str, version: int) -> Memory:
    load = load_info(workload=workload, name="mill", workload_version=version, **SETTLED)
    return memory_of(run_data(loads=(load,)))


def test_passes_and_the_golden_of_the_same_version_are_taken_over() -> None:
    found = remembered("sieve", registry.load("sieve").version)
    assert found.passes == {"mill": {0: 5, 1: 6}}
    assert found.goldens == {"mill": ("some library 1.0", 255)}


@pytest.mark.parametrize("workload", ["sieve", "compile-llvm"])
def test_another_version_did_other_work_and_is_forgotten(workload: str) -> None:
    """Else a digest that had to change would be called an error of the machine."""
    found = remembered(workload, registry.load(workload).version - 1)
    assert (found.passes, found.goldens) == ({}, {})


def test_a_workload_that_is_no_more_is_forgotten() -> None:
    assert remembered("no such workload", 1).goldens == {}
