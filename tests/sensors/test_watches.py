"""Counters that rise, channels that go and come back, lateness."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.board import LaneState
from harness.clock import NS_PER_SECOND
from harness.results import Channel, Event, EventKind
from harness.sensors.contract import Incident, Reading
from harness.sensors.watches import (
    MOST_EVENTS,
    CounterWatch,
    Lateness,
    LoadWatch,
    PresenceWatch,
)

THROTTLE = Channel(
    "t", "core 3 throttled", "count", "throttle", "throttle_count", cpu=3, counter=True
)
ERRORS = Channel("e", "DIMM A1 corrected errors", "count", "x", "hardware_errors", counter=True)
TEMPERATURE = Channel("c", "Tdie", "°C", "hwmon", "cpu_temperature")
ALL = (THROTTLE, ERRORS, TEMPERATURE)


def test_the_first_value_is_the_baseline_and_each_increase_is_an_event() -> None:
    watch = CounterWatch(ALL)
    events = [watch.see(Reading("t", value), at, {"loads": [2]}) for at, value in
              enumerate([7.0, 7.0, 9.0, 9.0, 12.0])]  # fmt: skip
    assert [event is not None for event in events] == [False, False, True, False, True]
    last = events[-1]
    assert last is not None
    assert last.kind is EventKind.THROTTLED
    assert last.text == "core 3 throttled: 3 more, 5 since the run began"
    assert last.data == {"channel": "t", "cpu": 3, "increase": 3.0, "total": 5.0, "loads": [2]}


@pytest.mark.parametrize(
    ("role", "kind"),
    [
        ("throttle_count", EventKind.THROTTLED),
        ("heat_alarms", EventKind.THROTTLED),
        ("hardware_errors", EventKind.HARDWARE_ERROR),
        ("error_alarms", EventKind.HARDWARE_ERROR),
        ("", EventKind.COUNTED),
    ],
)
def test_what_a_rise_tells_follows_from_the_counters_role(role: str, kind: EventKind) -> None:
    counter = Channel("p", "slowed down: power cap", "count", "nvml", role, counter=True)
    watch = CounterWatch([counter])
    watch.see(Reading("p", 0.0), 0.0, {})
    event = watch.see(Reading("p", 1.0), 1.0, {})
    assert event is not None
    assert event.kind is kind


def test_a_missing_value_a_reset_and_other_channels_are_no_events() -> None:
    watch = CounterWatch(ALL)
    assert watch.see(Reading("c", 40.0), 0.0, {}) is None
    assert watch.see(Reading("c", 90.0), 1.0, {}) is None
    watch.see(Reading("e", 5.0), 0.0, {})
    assert watch.see(Reading("e", None), 1.0, {}) is None
    assert watch.see(Reading("e", 1.0), 2.0, {}) is None


def test_a_chip_that_tells_itself_is_not_told_twice() -> None:
    watch = CounterWatch(ALL, frozenset({"e"}))
    watch.see(Reading("e", 0.0), 0.0, {})
    assert watch.see(Reading("e", 1.0), 1.0, {}) is None
    event = watch.told(Incident("e", 1.0, "kernel log: x", 5), {})
    assert event is not None
    assert (event.kind, event.data["cpu"]) == (EventKind.HARDWARE_ERROR, 5)


def test_a_lost_channel_is_told_once_with_reason_and_since_when_and_so_is_its_return() -> None:
    watch = PresenceWatch(ALL)
    readings = [40.0, None, None, None, None, 41.0]
    events = [
        watch.see(Reading("c", value, "" if value else "EIO: Input/output error"), float(at))
        for at, value in enumerate(readings)
    ]
    assert [event.kind if event else None for event in events] == [
        None, None, None, EventKind.CHANNEL_LOST, None, EventKind.CHANNEL_BACK,
    ]  # fmt: skip
    lost, back = events[3], events[5]
    assert lost is not None
    assert back is not None
    assert lost.data == {"channel": "c", "reason": "EIO: Input/output error", "since_seconds": 1.0}
    assert "after 4.0 s" in back.text


def test_a_short_gap_and_a_channel_that_never_gave_a_value_are_not_lost() -> None:
    watch = PresenceWatch(ALL)
    assert all(watch.see(Reading("t", None, "x"), float(at)) is None for at in range(10))
    for at, value in enumerate([40.0, None, None, 41.0]):
        assert watch.see(Reading("c", value), float(at)) is None


def test_a_channel_that_comes_and_goes_for_ever_does_not_flood_the_record() -> None:
    watch = PresenceWatch(ALL)
    told = 0
    for turn in range(400):
        value = 40.0 if turn % 4 == 0 else None
        told += watch.see(Reading("c", value, "x"), float(turn)) is not None
    assert told == MOST_EVENTS


@given(st.lists(st.floats(0.0, 1.9), min_size=1, max_size=200), st.floats(0.01, 1.0))
def test_a_quantile_of_lateness_is_the_sorted_value_to_half_a_millisecond(
    values: list[float], share: float
) -> None:
    lateness = Lateness()
    for value in values:
        lateness.add(value)
    rank = max(-(-share * len(values) // 1), 1)
    exact = sorted(values)[int(rank) - 1]
    found = lateness.quantile(share)
    assert found is not None
    assert exact - 1e-9 <= found <= exact + 0.0005 + 1e-9


def test_lateness_without_a_sweep_is_unknown_and_beyond_the_scale_it_is_the_longest() -> None:
    lateness = Lateness()
    assert lateness.quantile(0.99) is None
    lateness.add(17.0)
    assert lateness.quantile(0.99) == pytest.approx(17.0)


def test_a_driver_that_has_nothing_new_yet_has_not_lost_its_channel() -> None:
    watch = PresenceWatch(ALL)
    reasons = ["", *["EAGAIN: the CPU is idle"] * 20, ""]
    for at, reason in enumerate(reasons):
        reading = Reading("c", None if reason else 40.0, reason)
        assert watch.see(reading, float(at)) is None


def test_a_counter_that_rises_each_second_is_told_twenty_times_and_then_once_a_minute() -> None:
    watch = CounterWatch(ALL)
    events: list[Event] = []
    for second in range(12 * 3_600 + 1):
        event = watch.see(Reading("e", float(second)), float(second), {})
        events += [it for it in [event] if it is not None]
        events += watch.overdue(float(second))
    events += watch.rest(12 * 3_600.0)
    assert MOST_EVENTS < len(events) <= MOST_EVENTS + 12 * 60 + 1
    assert sum(it.data["increase"] for it in events) == 12 * 3_600.0
    assert events[MOST_EVENTS].text == (
        "DIMM A1 corrected errors: 60 more in 60 s, 80 since the run began"
    )
    assert {it.kind for it in events} == {EventKind.HARDWARE_ERROR}
    assert watch.rest(99_999.0) == []


def test_a_flood_of_log_lines_is_told_together_with_its_last_line() -> None:
    watch = CounterWatch(ALL, frozenset({"e"}))
    told = [watch.told(Incident("e", 1.0, f"line {number}"), {}) for number in range(520)]
    assert sum(it is not None for it in told) == MOST_EVENTS
    assert watch.overdue(60.9) == []
    (event,) = watch.overdue(61.0)
    assert event.text == "DIMM A1 corrected errors: 500 more in 60 s, the last: line 519"
    assert event.data["increase"] == 500


def test_each_deadline_that_a_late_sweep_skipped_counts_with_its_own_lateness() -> None:
    """A stall of 6 s a minute at 10 Hz: one deadline in ten is missed, the worst by 6 s."""
    lateness = Lateness()
    for _ in range(60):
        for _ in range(540):
            lateness.add(0.0003, 0.1)
        lateness.add(6.0, 0.1)
    assert lateness.quantile(0.99) == 6.0
    every = sorted([*(6.0 - 0.1 * it for it in range(60))] * 60 + [0.0003] * (60 * 540))
    exact = every[round(0.92 * len(every)) - 1]
    assert 1.0 < exact < 2.0, "within the scale"
    assert lateness.quantile(0.92) == pytest.approx(exact, abs=0.0011)


def _loaded(states: list[LaneState], step_seconds: float = 0.39) -> list[float]:
    watch = LoadWatch()
    return [
        watch.look(round(step * step_seconds * NS_PER_SECOND), [state], 0)
        for step, state in enumerate(states)
    ]


@pytest.mark.parametrize(("on", "off"), [(1.0, 1.0), (3.0, 0.25), (0.5, 9.5), (12.5, 12.5)])
def test_load_goes_on_through_the_pauses_of_a_pattern_and_between_trials(
    on: float, off: float
) -> None:
    states = [
        LaneState.WORKING if (0.39 * step) % (on + off) < on else LaneState.PAUSED
        for step in range(1_000)
    ]
    assert _loaded(states)[-1] == pytest.approx(389.6, abs=on + off)


def test_load_has_ended_ten_seconds_after_the_last_work_and_thirty_within_a_pattern() -> None:
    working = [LaneState.WORKING] * 40
    for state, longest in [(LaneState.IDLE, 10.0), (LaneState.READY, 10.0),
                           (LaneState.PAUSED, 30.0)]:  # fmt: skip
        loaded = _loaded(working + [state] * 100)
        after = [seconds > 0 for seconds in loaded[40:]]
        assert after == sorted(after, reverse=True)
        assert sum(after) * 0.39 == pytest.approx(longest, abs=0.4)


def test_work_that_no_look_falls_into_is_known_by_its_verified_passes() -> None:
    watch = LoadWatch()
    looks = [watch.look(second * NS_PER_SECOND, [LaneState.PAUSED], second) for second in range(60)]
    assert looks[-1] == 58.0


def test_a_summary_says_when_its_rises_were_and_a_pause_begins_a_new_span() -> None:
    watch = CounterWatch(ALL)
    rising = [*range(MOST_EVENTS + 11), 45, *range(50, 55)]
    value = 0.0
    for second in range(60):
        value += second in rising
        watch.see(Reading("t", value), float(second), {})
    (event,) = watch.rest(79.0)
    # The first reading is the baseline, so the rise at 20 s is the twentieth and told alone.
    assert event.data["spans"] == [(21.0, 30.0, 10), (45.0, 45.0, 1), (50.0, 54.0, 5)]
    assert event.data["increase"] == 16.0


def test_a_summary_of_incidents_tells_by_how_much_the_counter_rose() -> None:
    watch = CounterWatch(ALL, frozenset({"e"}))
    told = [
        watch.told(Incident("e", float(second), "the count of CPU 0 rose", 0, 50), {})
        for second in range(MOST_EVENTS + 9)
    ]
    assert [it.data["increase"] for it in told if it is not None] == [50] * MOST_EVENTS
    (event,) = watch.rest(40.0)
    assert event.data["increase"] == 9 * 50
    assert "450 more" in event.text
