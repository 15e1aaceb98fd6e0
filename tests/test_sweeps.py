"""Packed sweeps give back what they were made of. Oracle: the readings."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.results import Sample
from harness.sensors.contract import Reading
from harness.sweeps import NOT_FINITE, PackedSweep

_value = st.one_of(st.none(), st.floats(allow_nan=False))
_readings = st.lists(
    st.tuples(_value, st.sampled_from(["", "EIO"]), st.sampled_from(["", "repeat"]))
)


@given(_readings, st.floats(0, 1e6), st.one_of(st.none(), st.floats(0, 10)))
def test_a_sweep_becomes_the_samples_of_its_readings(
    given_: list[tuple[float | None, str, str]], at: float, latency: float | None
) -> None:
    keys = tuple(f"channel {place}" for place in range(len(given_)))
    readings = [Reading(key, *it) for key, it in zip(keys, given_, strict=True)]
    sweep = PackedSweep.of(keys, readings, at, latency)
    assert sweep.samples() == [
        Sample(it.channel, at, it.value, it.reason, it.flag, latency) for it in readings
    ]
    assert sweep.missing == sum(value is None for value, _, _ in given_)


def test_the_same_values_at_another_time_keep_all_the_rest() -> None:
    first = PackedSweep.of(("a", "b"), (Reading("a", 1.0), Reading("b", None, "EIO")), 0.0, None)
    again = first.at(2.5, 0.001)
    assert again.samples() == [
        Sample("a", 2.5, 1.0, "", "", 0.001),
        Sample("b", 2.5, None, "EIO", "", 0.001),
    ]
    assert again.missing == 1


@pytest.mark.parametrize(("told", "said"), [("", NOT_FINITE), ("EIO", "EIO")])
def test_not_a_number_is_no_value_says_why_and_keeps_its_flag(told: str, said: str) -> None:
    sweep = PackedSweep.of(("a",), (Reading("a", math.nan, told, "implausible: x"),), 0.0, None)
    assert sweep.samples() == [Sample("a", 0.0, None, said, "implausible: x")]
    assert sweep.missing == 1


def test_only_readings_with_a_reason_or_a_flag_are_noted() -> None:
    readings = (Reading("a", 1.0), Reading("b", 2.0, "", "repeat"), Reading("c", None))
    sweep = PackedSweep.of(("a", "b", "c"), readings, 0.0, None)
    assert sweep.notes == ((1, "", "repeat"),)
    assert list(sweep.numbers())[:2] == [1.0, 2.0]
