"""Blocks made of packed sweeps are those of single readings, byte for byte.

Oracle: `plain_blocks`, the plain and slow algorithm by which the first records were written, but
for repeats, which it counted as doubted.
"""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_blocks import MOST_TEXTS, plain_blocks

from harness.record.blocks import LONGEST_SECONDS, MOST_READINGS, Block, make_blocks
from harness.results import Sample
from tests.packing import packed

CHIPS = (("a1", "a2", "a3"), ("b",), ("c1", "c2"))
NUMBERS = {"c2": 1, "a1": 2, "b": 70_000, "a3": 5, "a2": 6, "c1": 4_000_000_000}

values = st.one_of(
    st.none(),
    st.integers(-2, 3).map(lambda step: step / 8),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, -0.0, math.inf, -math.inf, 1.7e308, -1.7e308, 9.9e299, 5e-324]),
)
notes = st.sampled_from(["", "", "", "EIO", "repeat", "ünlesbar", "implausible: +127 °C"])
latencies = st.one_of(st.none(), st.floats(-1.0, 6000.0))


@st.composite
def sweeps(draw: st.DrawFn, longest: float) -> list[Sample]:
    """Readings of some sweeps of some chips, in any order of time."""
    start = draw(st.floats(0, 1e6))
    made: list[Sample] = []
    for chip in draw(st.lists(st.sampled_from(CHIPS), max_size=40)):
        at, latency = start + draw(st.floats(0, longest)), draw(latencies)
        made.extend(
            Sample(key, at, draw(values), draw(notes), draw(notes), latency) for key in chip
        )
    return made


def facts(block: Block | object) -> tuple[object, ...]:
    names = ("start_seconds", "duration_seconds", "readings", "packed", "envelopes")
    return tuple(getattr(block, name) for name in names)


def assert_same_bytes(made: list[Sample]) -> None:
    blocks = make_blocks(packed(made), NUMBERS)
    expected = plain_blocks(made, NUMBERS)
    assert [facts(block) for block in blocks] == [facts(block) for block in expected]


@settings(max_examples=300)
@given(sweeps(LONGEST_SECONDS * 0.9))
def test_a_second_of_sweeps_makes_the_bytes_of_its_readings(made: list[Sample]) -> None:
    assert_same_bytes(made)


@settings(max_examples=150)
@given(sweeps(9.0))
def test_a_backlog_makes_the_bytes_of_its_readings(made: list[Sample]) -> None:
    assert_same_bytes(made)


@pytest.mark.parametrize("count", [1, 7, 8, 9, 64, 127, 128, 129, 1000, 5000])
def test_means_are_rounded_alike_however_many_values_there_are(count: int) -> None:
    # numpy adds in pieces whose borders depend on how many values there are.
    chance = random.Random(count)
    made = [
        Sample(key, step * 1e-4, chance.uniform(-1e3, 1e3) * 10 ** chance.randrange(6))
        for step in range(count)
        for key in CHIPS[0]
    ]
    assert_same_bytes([sample for sample in made if chance.random() < 0.8 or count < 8])


def test_a_sweep_on_the_border_of_a_full_block_is_cut_like_its_readings() -> None:
    chance = random.Random(1)
    made = [
        Sample(key, step * 1e-5, 40.0 + chance.randrange(9) / 8, "", "odd" * (step % 9 == 0), 1e-5)
        for step in range(MOST_READINGS // 3 + 10)
        for key in CHIPS[0]
    ]
    assert MOST_READINGS < len(made) < 2 * MOST_READINGS
    assert MOST_READINGS % 3, "a sweep lies across the border"
    assert_same_bytes(made)


def test_more_texts_than_a_block_can_name_leave_the_later_ones_out() -> None:
    made = [
        Sample("b" if number % 2 else "c1", 1.0, 1.0, f"reason {number}", f"flag {number}")
        for number in range(MOST_TEXTS // 2 + 100)
    ]
    assert len(made) < MOST_READINGS
    assert_same_bytes(made)
