"""Packed blocks: what goes in comes out, and what is no block is refused. Oracle: the input."""

from __future__ import annotations

import math
import random
import struct

import numpy as np
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.record.blocks import (
    MOST_READINGS,
    NOT_FINITE,
    Block,
    DamagedBlock,
    make_blocks,
    unpack_envelopes,
    unpack_readings,
)
from harness.results import Sample
from harness.sweeps import left_out
from tests.packing import packed

NUMBERS = {"a": 1, "b": 7, "c": 4_000_000_000}

finite = st.floats(allow_nan=False, allow_infinity=False)
texts = st.sampled_from(
    ["", "EIO", "ENODATA: no data", "ünlesbar", "implausible: +127 °C", "repeat", "x" * 300]
)


@st.composite
def sample_lists(draw: st.DrawFn) -> list[Sample]:
    start = draw(st.floats(0, 1e6))
    return draw(
        st.lists(
            st.builds(
                Sample,
                channel=st.sampled_from(sorted(NUMBERS)),
                at_seconds=st.floats(0, 1.4).map(lambda offset: start + offset),
                value=st.none() | finite,
                reason=texts,
                flag=texts,
                latency_seconds=st.none() | st.floats(0, 3600),
            ),
            min_size=1,
            max_size=60,
        )
    )


def unpacked(block: Block) -> list[Sample]:
    readings = unpack_readings(block.packed)
    names = {number: name for name, number in NUMBERS.items()}
    return [
        Sample(
            names[int(readings.channel[place])],
            float(readings.at_seconds[place]),
            None if math.isnan(readings.value[place]) else float(readings.value[place]),
            readings.texts[readings.reason[place]],
            readings.texts[readings.flag[place]],
            None
            if math.isnan(readings.latency_seconds[place])
            else float(readings.latency_seconds[place]),
        )
        for place in range(len(readings.channel))
    ]


@given(sample_lists())
def test_values_come_back_bit_for_bit_and_times_to_the_microsecond(made: list[Sample]) -> None:
    (block,) = make_blocks(packed(made), NUMBERS)
    ordered = sorted(made, key=lambda sample: NUMBERS[sample.channel])
    for before, after in zip(ordered, unpacked(block), strict=True):
        assert (after.channel, after.reason, after.flag) == (
            before.channel,
            before.reason,
            before.flag,
        )
        assert _bits(after.value) == _bits(before.value)
        assert after.at_seconds == pytest.approx(before.at_seconds, abs=1e-6, rel=0)
        if before.latency_seconds is None:
            assert after.latency_seconds is None
        else:
            assert after.latency_seconds == pytest.approx(before.latency_seconds, abs=1e-6, rel=0)


def _bits(value: float | None) -> bytes | None:
    return None if value is None else struct.pack("<d", value)


@given(sample_lists())
def test_an_envelope_says_what_its_readings_say(made: list[Sample]) -> None:
    (block,) = make_blocks(packed(made), NUMBERS)
    columns = unpack_envelopes(block.envelopes)
    assert set(columns["channel"]) == {NUMBERS[sample.channel] for sample in made}
    for place, number in enumerate(columns["channel"]):
        mine = [sample for sample in made if NUMBERS[sample.channel] == number]
        good = [s.value for s in mine if s.value is not None and not left_out(s.flag)]
        read = [s for s in mine if s.value is not None]
        assert columns["samples"][place] == len(read)
        assert columns["missing"][place] == len(mine) - len(read)
        assert columns["flagged"][place] == len(read) - len(good)
        if not good:
            assert all(math.isnan(columns[name][place]) for name in ("minimum", "mean", "last"))
            continue
        assert (columns["minimum"][place], columns["maximum"][place]) == (min(good), max(good))
        assert (columns["first"][place], columns["last"][place]) == (good[0], good[-1])
        assert min(good) <= columns["mean"][place] <= max(good)
        if max(map(abs, good)) < 1e300:
            scale = max(map(abs, good)) or 1.0
            mean = math.fsum(good) / len(good)
            assert columns["mean"][place] == pytest.approx(mean, abs=1e-12 * scale, rel=0)


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_a_value_that_is_not_finite_becomes_a_missing_one_with_a_reason(value: float) -> None:
    (block,) = make_blocks(packed([Sample("a", 1.0, value)]), NUMBERS)
    assert unpacked(block) == [Sample("a", 1.0, None, NOT_FINITE)]


def test_readings_of_one_second_share_a_block_wherever_the_second_begins() -> None:
    made = [Sample("a", 10.6 + step / 10, 1.0) for step in range(10)]
    blocks = make_blocks(packed(made), NUMBERS)
    assert [block.readings for block in blocks] == [10]
    assert blocks[0].start_seconds == 10.6
    assert blocks[0].duration_seconds == pytest.approx(0.9)


def test_a_backlog_is_cut_at_whole_seconds() -> None:
    made = [Sample("a", step / 2, 1.0) for step in range(20)]
    blocks = make_blocks(packed(made), NUMBERS)
    assert [(block.start_seconds, block.readings) for block in blocks] == [
        (float(second), 2) for second in range(10)
    ]


def test_a_second_with_too_many_readings_makes_several_blocks() -> None:
    blocks = make_blocks(packed([Sample("a", 0.0, 1.0)] * (MOST_READINGS + 1)), NUMBERS)
    assert [block.readings for block in blocks] == [MOST_READINGS, 1]


def test_no_readings_make_no_block() -> None:
    assert make_blocks(packed([]), NUMBERS) == []


def test_smooth_readings_take_less_than_three_bytes_each() -> None:
    # 100 channels at 10 Hz with the resolution of common sensors; raw columns are 28 bytes each.
    noise = random.Random(1)
    numbers = {f"t{place}": place for place in range(100)}
    made = [
        Sample(name, step / 10 + place * 1e-4, 45.0 + place + noise.randrange(4) / 8)
        for place, name in enumerate(numbers)
        for step in range(10)
    ]
    (block,) = make_blocks(packed(made), numbers)
    assert len(block.packed) < 3 * len(made)
    assert len(block.envelopes) < 16 * len(numbers)


def _good_block() -> Block:
    made = [
        Sample("ab"[step % 2], 5 + step / 10, float(step), "", "odd" * (step % 3))
        for step in range(9)
    ]
    return make_blocks(packed(made), NUMBERS)[0]


@settings(max_examples=300)
@given(st.integers(0, 10_000), st.integers(1, 255))
def test_a_changed_byte_is_noticed(place: int, change: int) -> None:
    good = _good_block().packed
    bad = bytearray(good)
    bad[place % len(bad)] ^= change
    try:
        readings = unpack_readings(bytes(bad))
    except DamagedBlock:
        return
    # Some bits of the frame's header only describe the frame; then the content must be the same.
    again = unpack_readings(good)
    assert np.array_equal(readings.value, again.value)
    assert np.array_equal(readings.at_seconds, again.at_seconds)


@given(st.binary(max_size=200))
def test_any_other_bytes_are_refused_as_damaged_or_hold_nothing(data: bytes) -> None:
    for prefixed in (data, b"\x01" + data, b"\x01" + zstandard.compress(data)):
        for unpack in (unpack_readings, unpack_envelopes):
            try:
                made = unpack(prefixed)
            except DamagedBlock:
                continue
            channels = made["channel"] if isinstance(made, dict) else made.channel
            # Bytes that begin with a count of zero are, rightly, columns without entries.
            assert (len(channels), data[:4]) == (0, bytes(4))


def test_a_block_that_claims_gigabytes_is_refused_before_it_is_unpacked() -> None:
    # Frame header after RFC 8878, 3.1.1: magic, descriptor with an 8-byte content size, the size.
    bomb = b"\x28\xb5\x2f\xfd" + b"\xe0" + struct.pack("<Q", 8 << 30) + b"\x01\x00\x00"
    with pytest.raises(DamagedBlock, match="claims"):
        unpack_readings(b"\x01" + bomb)


def test_a_frame_without_its_size_is_refused() -> None:
    compressor = zstandard.ZstdCompressor(write_content_size=False)
    frame = compressor.compress(bytes(100_000))
    with pytest.raises(DamagedBlock):
        unpack_readings(b"\x01" + frame)


def test_a_later_format_is_named() -> None:
    with pytest.raises(DamagedBlock, match="format 9"):
        unpack_readings(b"\x09" + _good_block().packed[1:])


def test_a_repeated_value_is_judged_like_any_other_and_an_implausible_one_is_not() -> None:
    """A driver that renews its values seldom gives repeats: right, only not new."""
    made = [
        Sample("a", 1.0, 61.0),
        Sample("a", 1.5, 61.0, flag="repeat"),
        Sample("a", 2.0, 127.0, flag="implausible: 127 °C"),
    ]
    (block,) = make_blocks(packed(made), {"a": 1})
    columns = unpack_envelopes(block.envelopes)
    assert (columns["samples"][0], columns["flagged"][0]) == (3, 1)
    assert (columns["maximum"][0], columns["last"][0]) == (61.0, 61.0)
