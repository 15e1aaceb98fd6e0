"""One chip's turn: read, let the guard look, read again at once, hand over."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import NS_PER_SECOND, ManualClock
from harness.results import Event
from harness.sensors.chip_worker import (
    SPIKE,
    UNCONFIRMED,
    ChipWorker,
    GuardDesk,
    Schedule,
    Sweep,
)
from harness.sensors.contract import Reading
from harness.sensors.guard import Guard, GuardLimit, Trip
from harness.sensors.plausibility import REPEAT
from tests.sensors.fakes import DIE, FakeChip, TellingFake

HOT = GuardLimit("stop", "cpu_temperature", "°C", above=95.0)


class Bench:
    """A worker with a clock that stands still, and everything it hands over."""

    def __init__(self, chip: FakeChip, *limits: GuardLimit) -> None:
        self.clock = ManualClock()
        self.tripped = 0
        self.trips: list[Trip] = []
        self.events: list[Event] = []
        self.sweeps: list[Sweep] = []
        guard = Guard(limits, [DIE])
        self.desk = GuardDesk(guard, self._trip, self.trips.append, self.events.append)
        start = self.clock.monotonic_ns()
        self.worker = ChipWorker(
            3,
            chip,
            Schedule(start, NS_PER_SECOND // 2),
            clock=self.clock,
            run_started_ns=start,
            desk=self.desk,
            hand_over=self.sweeps.append,
        )

    def _trip(self) -> None:
        self.tripped += 1

    def step(self) -> Sweep:
        self.worker.step(self.clock.monotonic_ns())
        return self.sweeps[-1]


def test_a_sweep_carries_readings_time_latency_and_lateness() -> None:
    bench = Bench(FakeChip(lambda now: 40.0))
    due = bench.clock.monotonic_ns()
    bench.clock.advance(0.004)
    bench.worker.step(due)
    (sweep,) = bench.sweeps
    packed = sweep.packed()
    assert (sweep.worker, packed.at_seconds, sweep.late_seconds) == (3, 0.004, 0.004)
    assert [it.value for it in sweep.readings] == [40.0]
    assert packed.latency_seconds == 0.0
    assert bench.worker.busy_since_ns is None


def test_a_value_over_the_limit_is_read_again_and_raises_the_flag_in_the_same_turn() -> None:
    chip = FakeChip(lambda now: 97.0)
    bench = Bench(chip, HOT)
    bench.step()
    assert len(chip.reads) == 2
    assert bench.tripped == 1
    assert bench.trips[0].stop.value == 97.0


def test_the_loop_is_told_before_a_second_reading_which_may_hang() -> None:
    bench = Bench(FakeChip(lambda now: 97.0), HOT)
    told: list[tuple[int, bool]] = []
    chip = bench.worker.chip
    assert isinstance(chip, FakeChip)
    bench.desk.before_second_reading = lambda: told.append(
        (len(chip.reads), bench.desk.guard.awaits)
    )
    bench.step()
    assert told == [(1, True)]
    assert not bench.desk.guard.awaits


def test_an_unchanged_list_is_sent_with_the_time_and_latency_of_its_own_sweep() -> None:
    class Unchanged(FakeChip):
        def read(self, now_seconds: float) -> list[Reading]:
            return same

    same = [Reading(DIE.key, 41.0)]
    bench = Bench(Unchanged(lambda now: 41.0))
    bench.step()
    bench.clock.advance(0.5)
    bench.step()
    assert bench.sweeps[0].template is bench.sweeps[1].template
    samples = [it.packed().samples()[0] for it in bench.sweeps]
    assert [(it.at_seconds, it.value) for it in samples] == [(0.0, 41.0), (0.5, 41.0)]


def test_a_spike_is_flagged_and_stops_nothing() -> None:
    values = iter([120.0, 61.0])
    bench = Bench(FakeChip(lambda now: next(values)), HOT)
    sweep = bench.step()
    assert (sweep.readings[0].value, sweep.readings[0].flag) == (120.0, SPIKE)
    assert bench.tripped == 0
    assert "spike" in bench.events[0].text


def test_a_reading_that_hovers_at_its_limit_is_not_flagged() -> None:
    values = iter([95.125, 95.0])
    sweep = Bench(FakeChip(lambda now: next(values)), HOT).step()
    assert (sweep.readings[0].value, sweep.readings[0].flag) == (95.125, "")


class Caching(FakeChip):
    """A chip whose driver gives the first reading after each `cache_seconds` anew."""

    cache_seconds = 0.2
    fresh_at = float("-inf")
    last = 0.0

    def read(self, now_seconds: float) -> list[Reading]:
        self.reads.append(now_seconds)
        if now_seconds - self.fresh_at < self.cache_seconds:
            return [Reading(DIE.key, self.last, flag=REPEAT)]
        self.fresh_at = now_seconds
        self.last = self.value(now_seconds) or 0.0
        return [Reading(DIE.key, self.last)]


def test_a_jump_that_a_driver_repeats_is_flagged_and_looked_at_again_when_its_cache_has_ended() -> (
    None
):
    values = iter([52.0, 120.0, 52.5])
    bench = Bench(Caching(lambda now: next(values)), HOT)
    for _ in range(3):
        bench.clock.advance((bench.worker.due_ns - bench.clock.monotonic_ns()) / NS_PER_SECOND)
        bench.worker.turn()
    found = [(it.at_seconds, it.readings[0].value, it.readings[0].flag) for it in bench.sweeps]
    assert found == [
        (0.0, 52.0, ""),
        (0.5, 120.0, UNCONFIRMED),
        (pytest.approx(0.71), 52.5, ""),
    ]
    assert bench.tripped == 0
    assert (bench.worker.due_ns - bench.clock.monotonic_ns()) / NS_PER_SECOND == 0.29
    assert bench.worker.missed == 0


def test_deadlines_that_pass_while_a_chip_is_read_or_its_thread_is_late_are_counted() -> None:
    def slow(now: float) -> float:
        bench.clock.advance(1.2)
        return 40.0

    bench = Bench(FakeChip(slow))
    bench.worker.turn()
    assert bench.worker.missed == 2
    bench.clock.advance(10.0)
    bench.worker.turn()
    assert bench.worker.missed == 2 + 21


def test_a_chip_that_the_guard_does_not_watch_is_read_once() -> None:
    chip = FakeChip(lambda now: 97.0)
    Bench(chip).step()
    assert len(chip.reads) == 1


def test_a_bug_in_a_source_is_said_with_its_traceback_and_the_thread_goes_on() -> None:
    def fail(now: float) -> float:
        raise KeyError("no such thing")

    bench = Bench(FakeChip(fail))
    sweep = bench.step()
    assert sweep.readings[0].value is None
    assert "KeyError" in sweep.readings[0].reason
    assert "Traceback" in sweep.failure
    bench.step()
    assert len(bench.sweeps) == 2


def test_incidents_travel_with_the_sweep() -> None:
    sweep = Bench(TellingFake(lambda now: 1.0)).step()
    assert [it.text for it in sweep.incidents] == ["told"]


@given(st.integers(1, 10**10), st.integers(-(10**10), 10**12))
def test_the_next_deadline_is_the_first_multiple_after_now(interval: int, offset: int) -> None:
    schedule = Schedule(10**12, interval)
    now = 10**12 + offset
    following = schedule.after(now)
    assert following > now or (now < 10**12 and following == 10**12)
    assert (following - 10**12) % interval == 0
    assert following - max(now, 10**12) <= interval


@pytest.mark.parametrize("seconds_late", [0.1, 3.7])
def test_missed_deadlines_are_not_made_up_for(seconds_late: float) -> None:
    schedule = Schedule(0, NS_PER_SECOND)
    assert schedule.after(round(seconds_late * NS_PER_SECOND)) == (int(seconds_late) + 1) * 10**9
