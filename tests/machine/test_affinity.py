"""Which CPUs may be used."""

from __future__ import annotations

import os

import psutil
import pytest

from harness.machine.affinity import allowed_cpus


def test_the_cpus_are_those_of_the_affinity_mask() -> None:
    assert allowed_cpus() == tuple(sorted(os.sched_getaffinity(0)))


def test_a_system_with_another_call_is_asked_through_the_library(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    expected = tuple(sorted(psutil.Process().cpu_affinity()))
    monkeypatch.delattr(os, "sched_getaffinity")
    assert allowed_cpus() == expected


def test_a_system_without_affinity_has_lanes_that_cannot_be_pinned(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delattr(os, "sched_getaffinity")
    monkeypatch.setattr(psutil, "Process", object)
    monkeypatch.setattr(os, "cpu_count", lambda: 3)
    assert allowed_cpus() == (None, None, None)
