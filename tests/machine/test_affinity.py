"""Which CPUs may be used."""

from __future__ import annotations

import os
import threading

import psutil
import pytest

from harness.machine.affinity import allowed_cpus, pin_current_thread


def test_the_cpus_are_those_of_the_affinity_mask() -> None:
    assert allowed_cpus() == tuple(sorted(os.sched_getaffinity(0)))


def test_a_thread_is_pinned_alone_and_a_bad_cpu_is_said() -> None:
    before = os.sched_getaffinity(0)
    seen: list[object] = []

    def pinned() -> None:
        seen.append(pin_current_thread(min(before)))
        seen.append(os.sched_getaffinity(0))
        seen.append(pin_current_thread(8190))

    thread = threading.Thread(target=pinned)
    thread.start()
    thread.join(10)
    assert seen[:2] == ["", {min(before)}]
    assert str(seen[2]).startswith("cannot bind to CPU 8190")
    assert os.sched_getaffinity(0) == before


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
    monkeypatch.delattr(os, "sched_setaffinity")
    monkeypatch.setattr(psutil, "Process", object)
    monkeypatch.setattr(os, "cpu_count", lambda: 3)
    assert allowed_cpus() == (None, None, None)
    assert "does not bind" in pin_current_thread(0)
