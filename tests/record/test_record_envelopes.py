"""Merged envelopes: bounded in number, exact in value. Oracle: numpy over all readings at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.record.blocks import make_blocks
from harness.record.database import Database
from harness.record.envelopes import MOST_ENVELOPES, NumberedChannel, channel_data
from harness.results import Channel, ChannelData, Sample
from harness.sweeps import left_out
from tests.packing import packed

A, B = (Channel(key, key, "°C", "test") for key in "ab")
NUMBERED = [NumberedChannel(11, A), NumberedChannel(22, B)]
NUMBERS = {"a": 11, "b": 22}


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Database:
    return Database.create(tmp_path_factory.mktemp("envelopes") / "record.sqlite3")


def merged(database: Database, made: list[Sample]) -> tuple[ChannelData, ...]:
    insert = "INSERT INTO sample_blocks VALUES (NULL, 1, ?, ?, ?, ?, ?)"
    with database.transaction():
        database.execute("DELETE FROM sample_blocks")
        for block in make_blocks(packed(made), NUMBERS):
            values = (block.start_seconds, block.duration_seconds, block.readings)
            database.execute(insert, (*values, block.envelopes, block.packed))
    banners: list[str] = []
    data = channel_data(database, NUMBERED, banners)
    assert banners == []
    return data


@settings(max_examples=50)
@given(
    st.floats(0, 1e5),
    st.lists(
        st.tuples(
            st.floats(0, 50_000),
            st.none() | st.integers(-50, 120),
            st.sampled_from(["", "repeat", "implausible"]),
        ),
        min_size=1,
        max_size=60,
    ),
)
def test_merging_keeps_extremes_means_and_counts_exact(
    database: Database, start: float, drawn: list[tuple[float, int | None, str]]
) -> None:
    made = [Sample("a", start + at, value, "", flag) for at, value, flag in sorted(drawn, key=str)]
    data, other = merged(database, made)
    good = [s.value for s in made if s.value is not None and not left_out(s.flag)]
    assert data.missing == sum(s.value is None for s in made)
    assert data.flagged == sum(s.value is not None and left_out(s.flag) for s in made)
    assert data.samples == len(made) - data.missing
    assert sum(envelope.samples for envelope in data.envelopes) == len(good)
    assert len(data.envelopes) <= MOST_ENVELOPES + 1
    assert (other.samples, other.envelopes) == (0, ())
    if good:
        weights = [envelope.samples for envelope in data.envelopes]
        means = [envelope.mean for envelope in data.envelopes]
        assert min(envelope.minimum for envelope in data.envelopes) == min(good)
        assert max(envelope.maximum for envelope in data.envelopes) == max(good)
        assert np.average(means, weights=weights) == pytest.approx(np.mean(good), abs=1e-9)
        assert data.first_value in good
        assert data.last_value in good


def test_first_and_last_are_those_of_arrival(database: Database) -> None:
    made = [Sample("b", float(step), 10.0 + step) for step in range(100)]
    _, data = merged(database, made)
    assert (data.first_value, data.last_value) == (10.0, 109.0)


def test_a_night_has_as_many_envelopes_as_a_chart_can_show(database: Database) -> None:
    seconds = 12 * 3600
    made = [Sample("a", float(step * 10), float(step % 50)) for step in range(seconds // 10)]
    data, _ = merged(database, made)
    assert 700 < len(data.envelopes) <= MOST_ENVELOPES
    width = data.envelopes[0].duration_seconds
    assert width == 30.0
    starts = np.array([envelope.at_seconds for envelope in data.envelopes])
    assert np.allclose(np.diff(starts), width)


def test_a_stretch_without_values_is_a_gap(database: Database) -> None:
    made = [Sample("a", second, 1.0) for second in (0.0, 1.0, 5.0)]
    data, _ = merged(database, made)
    assert [envelope.at_seconds for envelope in data.envelopes] == [0.0, 1.0, 5.0]


def test_the_reason_is_that_of_the_last_missing_reading(database: Database) -> None:
    made = [
        Sample("a", 0.0, None, "EIO"),
        Sample("a", 5.0, None, "ENODEV"),
        Sample("b", 7.0, None, "EAGAIN"),
        Sample("a", 9.0, 1.0),
    ]
    first, second = merged(database, made)
    assert (first.missing_reason, second.missing_reason) == ("ENODEV", "EAGAIN")


def test_no_blocks_make_empty_channels(database: Database, tmp_path: Path) -> None:
    data, _ = merged(database, [])
    assert (data.samples, data.envelopes, data.first_value) == (0, (), None)
