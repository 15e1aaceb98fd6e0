"""Everything that crosses the process boundary survives the crossing."""

from __future__ import annotations

import pickle
from typing import get_args

import pytest

from harness.results import Channel, Event, EventKind, SafetyStop, Sample
from harness.sensors import messages as m
from harness.sensors.contract import DriverLimit, Hint
from harness.sensors.external import ExternalChannel, ExternalCommand
from harness.sensors.guard import GuardLimit
from harness.sensors.sampler import SamplerConfig
from tests.packing import packed

SAMPLES = (
    Sample("a", 1.5, 45.25, latency_seconds=0.001),
    Sample("b", 1.5, None, "EIO: Input/output error", latency_seconds=0.001),
    Sample("a", 2.0, 127.0, "", "implausible: x", None),
)
BATCH = m.SampleBatch(packed(SAMPLES))
MESSAGES = [
    m.ChannelsFound(
        (Channel("a", "A", "°C", "hwmon"),),
        (Hint("powercap", "grant it"),),
        (DriverLimit("a", "crit", 95.0, "°C"),),
        ("a",),
    ),
    BATCH,
    m.SampleBatch(()),
    m.SensorEvent(Event(EventKind.CHANNEL_LOST, 1.0, "gone", {"channel": "a"})),
    m.GuardTripped(SafetyStop("A", 96.0, 95.0, "°C", 2.0, "maker"), 1.5),
    m.SamplerReady(0.1),
    m.SamplerStopped(m.SamplerCounts(1, 2, 3, 4, 0.001, 0.002, 0.5), "asked to stop"),
    m.SamplerFailed("bad role", ""),
    m.StopSampling(),
    SamplerConfig(
        root="/",
        interval_seconds=0.5,
        run_started_ns=1,
        limits=(GuardLimit("n", "cpu_temperature", "°C", above=95.0),),
        external=(ExternalCommand("wall", ("meter",), (ExternalChannel("w", "W", ""),)),),
        role_overrides=(("key", "role"),),
        cpus=(0, 1),
    ),
]


@pytest.mark.parametrize("message", MESSAGES, ids=lambda it: type(it).__name__)
def test_a_message_is_equal_after_pickling(message: object) -> None:
    assert pickle.loads(pickle.dumps(message)) == message  # noqa: S301


def test_every_kind_of_message_is_covered_here() -> None:
    assert {type(message) for message in MESSAGES} >= set(get_args(m.FromSampler))


def test_a_batch_counts_and_gives_its_readings_one_by_one() -> None:
    assert (BATCH.count, BATCH.missing) == (3, 1)
    assert BATCH.samples == SAMPLES
