"""The measured clock as channels."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from harness.sensors import clock_probe
from harness.sensors.clock_probe import ClockMeasurement
from harness.sensors.clock_source import ClockProbeSource
from harness.sensors.contract import Reading


def _read_in_a_thread(source: ClockProbeSource) -> list[Reading]:
    """The chip moves the thread it is read in, so it gets one of its own."""
    (chip,) = source.discover(Path("/")).chips
    found: list[Reading] = []
    thread = threading.Thread(target=lambda: found.extend(chip.read(0.0)))
    thread.start()
    thread.join(30)
    return found


def test_each_allowed_cpu_has_a_channel_with_its_number() -> None:
    cpus = sorted(os.sched_getaffinity(0))
    (chip,) = ClockProbeSource(()).discover(Path("/")).chips
    assert [it.cpu for it in chip.channels] == cpus
    values = [it.value for it in _read_in_a_thread(ClockProbeSource(()))]
    assert len(values) == len(cpus)
    assert all(value is not None and value > 0 for value in values)
    assert sorted(os.sched_getaffinity(0)) == cpus


def test_a_cpu_that_may_not_be_used_is_missing_with_a_reason() -> None:
    (reading,) = _read_in_a_thread(ClockProbeSource((8190,)))
    assert reading.value is None
    assert reading.reason.startswith("cannot run on CPU 8190: EINVAL")


def test_a_disturbed_measurement_is_kept_and_said_to_be(monkeypatch: pytest.MonkeyPatch) -> None:
    rough = ClockMeasurement(3e9, True, "test", spread=0.3)
    monkeypatch.setattr(clock_probe, "measure_clock", lambda cycles: rough)
    reading = _read_in_a_thread(ClockProbeSource((min(os.sched_getaffinity(0)),)))[0]
    assert reading.value == 3e9
    assert "windows differ by 30%" in reading.flag


def test_a_system_that_cannot_pin_a_thread_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "sched_setaffinity")
    absent = ClockProbeSource((0,)).discover(Path("/")).absent[0]
    assert absent.absent_reason == "this system cannot pin a thread"
