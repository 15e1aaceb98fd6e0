"""Packed samples come out of the pipe as they went in."""

from __future__ import annotations

import math
import pickle

from hypothesis import given
from hypothesis import strategies as st

from harness.results import Sample
from harness.sensors.batches import PackedBatch, PackedSweep
from harness.sensors.contract import Reading
from harness.sensors.messages import SampleBatch

_value = st.one_of(st.none(), st.floats(allow_nan=False))
_readings = st.lists(
    st.tuples(_value, st.sampled_from(["", "EIO"]), st.sampled_from(["", "repeat"]))
)


@given(_readings, st.floats(0, 1e6), st.one_of(st.none(), st.floats(0, 10)))
def test_a_batch_becomes_the_samples_of_its_readings(
    given_: list[tuple[float | None, str, str]], at: float, latency: float | None
) -> None:
    keys = tuple(f"channel {place}" for place in range(len(given_)))
    readings = [Reading(key, *it) for key, it in zip(keys, given_, strict=True)]
    sweep = PackedSweep.of(keys, readings, at, latency)
    batch = pickle.loads(pickle.dumps(PackedBatch((sweep, sweep))))  # noqa: S301
    expected = [Sample(it.channel, at, it.value, it.reason, it.flag, latency) for it in readings]
    assert batch == SampleBatch(tuple(expected * 2))


def test_a_batch_counts_what_is_missing() -> None:
    sweep = PackedSweep.of(("a", "b"), (Reading("a", 1.0), Reading("b", None, "EIO")), 0.0, None)
    batch = PackedBatch((sweep, sweep, sweep))
    assert (batch.count, batch.missing) == (6, 3)


def test_not_a_number_is_no_value_and_keeps_its_flag() -> None:
    sweep = PackedSweep.of(("a",), (Reading("a", math.nan, "", "implausible: x"),), 0.0, None)
    (sample,) = sweep.samples()
    assert (sample.value, sample.flag) == (None, "implausible: x")
