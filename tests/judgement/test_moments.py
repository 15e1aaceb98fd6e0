"""When that was of which events tell. Oracle: the readings that rose."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pytest
from evidence_samples import run_data, trial

from harness.judgement.causes import Causes
from harness.judgement.moments import times_of
from harness.record.rows import to_json
from harness.results import Channel, Event, EventKind
from harness.sensors.contract import Reading
from harness.sensors.watches import MOST_EVENTS, CounterWatch

CORE = Channel("t", "core 0 throttled", "count", "throttle", "throttle_count", counter=True)


def recorded(event: Event) -> Event:
    """As it comes back from a record."""
    return Event(event.kind, event.at_seconds, event.text, json.loads(to_json(event.data)))


def told(rising: Sequence[int], until: int) -> tuple[Event, ...]:
    """What is told of a counter that is read each second and rises at these seconds."""
    watch = CounterWatch([CORE])
    events: list[Event | None] = []
    value = 0.0
    for second in range(until):
        value += 4.0 * (second in rising)
        events.append(watch.see(Reading("t", value), float(second), {}))
        events += watch.overdue(float(second))
    events += watch.rest(float(until))
    return tuple(recorded(event) for event in events if event is not None)


def test_a_summary_is_as_many_moments_as_it_tells_of_rises() -> None:
    rising = [*range(10, 130), 150, 151, 200]
    events = told(rising, 240)
    assert len(events) < MOST_EVENTS + 6
    assert times_of(events, EventKind.THROTTLED) == pytest.approx([float(it) for it in rising])
    assert times_of(events, EventKind.SUSPENDED) == ()


@pytest.mark.parametrize("spans", [None, 7, [], [7], [[1.0, 2.0]], [["a", 2.0, 3]],
                                   [[1.0, 2.0, -1]], [[1.0, 2.0, 10**9]], [[0, 10**400, 2]],
                                   [[None, 2.0, 3]]])  # fmt: skip
def test_odd_spans_leave_the_moment_at_which_it_was_told(spans: Any) -> None:
    event = Event(EventKind.THROTTLED, 20.0, "", {"spans": spans})
    assert times_of([event], EventKind.THROTTLED) == (20.0,)


def test_trials_are_disturbed_by_the_throttling_in_them_and_not_by_when_it_was_told() -> None:
    """Throttled from 10 s to 130 s, then cool; trials of 18 s each begin every 20 s."""
    trials = tuple(
        trial(number, 100.0, started_seconds=20.0 * number + 1, ended_seconds=20.0 * number + 19)
        for number in range(12)
    )
    data = run_data(trials=trials, events=told(range(10, 130), 240))
    found = [Causes(data).of(item) for item in trials]
    assert found[:7] == [
        ("throttling (10 events)",),
        *[("throttling (19 events)",)] * 5,
        ("throttling (9 events)",),
    ]
    assert found[7:] == [()] * 5


def test_a_trial_whose_rises_were_told_one_by_one_has_no_excuse_among_others_as_throttled() -> None:
    trials = tuple(
        trial(number, 100.0, started_seconds=20.0 * number + 1, ended_seconds=20.0 * number + 19)
        for number in range(8)
    )
    data = run_data(trials=trials, events=told(range(1, 160), 160))
    assert [Causes(data).excuse(item) for item in trials] == [()] * 8
