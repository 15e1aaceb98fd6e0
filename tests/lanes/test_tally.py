"""What a lane counts of its passes: exact sums, and durations in bounded memory.

Oracle: all durations, kept beside it.
"""

from __future__ import annotations

import random
import sys

import numpy as np
import pytest

from harness.lanes import stretch
from harness.lanes.stretch import Tally


def counted(durations_ns: list[int]) -> Tally:
    tally = Tally()
    for duration_ns in durations_ns:
        tally.count(duration_ns)
    return tally


def test_the_mean_is_of_all_passes_and_the_percentile_is_numpys() -> None:
    durations = [random.Random(1).randrange(1_000_000, 2_000_000) for _ in range(500)]
    tally = counted(durations)
    assert tally.mean_seconds == pytest.approx(sum(durations) / 500 / 1e9)
    assert tally.p10_seconds == pytest.approx(np.percentile(durations, 10) / 1e9)


def test_nothing_counted_is_nought_seconds_of_nothing() -> None:
    assert (counted([]).mean_seconds, counted([]).p10_seconds) == (0.0, 0.0)


def test_a_long_soak_keeps_ever_fewer_durations_evenly_over_all_its_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(stretch, "_MOST_TIMES", 1000)
    durations = list(range(10_000))
    tally = counted(durations)
    kept = list(tally.pass_ns)
    assert 500 <= len(kept) < 1000
    assert kept == durations[:: tally.stride]
    assert tally.mean_seconds == pytest.approx(sum(durations) / 10_000 / 1e9)
    assert tally.p10_seconds == pytest.approx(np.percentile(durations, 10) / 1e9, rel=0.05)


def test_the_durations_of_the_longest_soak_take_two_megabytes() -> None:
    tally = Tally()
    for _ in range(stretch._MOST_TIMES - 1):
        tally.count(60_000_000)
    assert sys.getsizeof(tally.pass_ns) < 2 << 20
