"""Threads that read chips: quick ones share, hung ones are left behind."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.sensors.alarm import Alarm
from harness.sensors.chip_worker import ChipWorker, GuardDesk, Schedule, Sweep
from harness.sensors.guard import Guard, GuardLimit
from harness.sensors.reader import Reader, may_share
from tests.sensors.fakes import DIE, FakeChip

HOT = GuardLimit("stop", "cpu_temperature", "°C", above=95.0)
_STEP_NS = 5_000_000


def _worker(chip: FakeChip, sweeps: list[Sweep], *limits: GuardLimit) -> ChipWorker:
    desk = GuardDesk(Guard(limits, [DIE]), lambda: None, lambda it: None, lambda it: None)
    return ChipWorker(
        0,
        chip,
        Schedule(SYSTEM.monotonic_ns(), _STEP_NS),
        clock=SYSTEM,
        run_started_ns=0,
        desk=desk,
        hand_over=sweeps.append,
    )


def _until(condition: Callable[[], bool], seconds: float = 20.0) -> None:
    deadline_ns = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    while not condition():
        assert SYSTEM.monotonic_ns() < deadline_ns, "did not happen in time"
        SYSTEM.sleep(0.002)


def test_a_reader_reads_its_chips_in_turn_and_closes_them_when_asked_to_stop() -> None:
    chips = [FakeChip(lambda now: 1.0), FakeChip(lambda now: 2.0)]
    reader = Reader([_worker(chip, []) for chip in chips], SYSTEM)
    reader.start()
    _until(lambda: all(len(chip.reads) >= 3 for chip in chips))
    reader.ask_to_stop()
    assert reader.join(5.0)
    assert all(chip.closed for chip in chips)


def test_a_hung_chip_keeps_its_thread_and_the_others_can_be_taken_from_it() -> None:
    release = threading.Event()

    def hang(now: float) -> float:
        release.wait(30)
        return 1.0

    hung, quick = FakeChip(hang), FakeChip(lambda now: 2.0)
    reader = Reader([_worker(hung, []), _worker(quick, [])], SYSTEM)
    reader.start()
    try:
        _until(lambda: reader.is_stuck(SYSTEM.monotonic_ns()))
        given = reader.release()
        assert [worker.chip for worker in given] == [quick]
        assert [worker.chip for worker in reader.workers] == [hung]
        assert not reader.is_stuck(SYSTEM.monotonic_ns())
    finally:
        release.set()
        reader.ask_to_stop()
    assert reader.join(5.0)
    assert (hung.closed, quick.closed) == (True, False)


class Timer(Alarm):
    """Notes by which thread the timer was set and cleared."""

    def __init__(self) -> None:
        self.touched_by: list[str] = []

    def watch(self, seconds: float) -> None:
        self.touched_by.append(threading.current_thread().name)

    def rest(self) -> None:
        self.touched_by.append(threading.current_thread().name)


def test_a_reader_left_behind_touches_neither_the_timer_nor_the_loop_any_more() -> None:
    release = threading.Event()

    def hang_once(now: float) -> float:
        release.wait(30)
        return 1.0

    hung, quick = FakeChip(hang_once), FakeChip(lambda now: 2.0)
    timer = Timer()
    turned_by: list[str] = []
    reader = Reader(
        [_worker(hung, []), _worker(quick, [])],
        SYSTEM,
        timer,
        lambda: turned_by.append(threading.current_thread().name),
    )
    reader.start()
    try:
        _until(lambda: reader.is_stuck(SYSTEM.monotonic_ns()))
        assert len(timer.touched_by) == 1  # the watch that rings
        reader.release()
        release.set()
        _until(lambda: len(hung.reads) > 3)
    finally:
        release.set()
        reader.ask_to_stop()
    assert reader.join(5.0)
    assert timer.touched_by[1:] == [threading.current_thread().name]  # released: cleared
    assert turned_by == []


def test_a_reader_whose_chips_were_all_taken_ends_without_closing_them() -> None:
    chip = FakeChip(lambda now: 1.0)
    worker = _worker(chip, [])
    worker.due_ns += 3600 * NS_PER_SECOND
    reader = Reader([worker], SYSTEM)
    assert reader.release() == [worker]
    reader.start()
    assert reader.join(5.0)
    assert not chip.closed


@pytest.mark.parametrize(
    ("shortest_ns", "slow", "sweeps", "shares", "expected"),
    [
        (500_000, 0, 3, True, True),
        (500_000, 0, 2, True, False),
        (10_000_000, 0, 3, True, False),
        (500_000, 0, 3, False, False),
        (500_000, 5, 100, True, False),
        (500_000, 5, 1000, True, True),
    ],
)
def test_only_a_chip_that_has_proven_quick_may_share_a_thread(
    shortest_ns: int, slow: int, sweeps: int, shares: bool, expected: bool
) -> None:
    worker = _worker(FakeChip(lambda now: 1.0, shares_thread=shares), [])
    worker.shortest_ns, worker.slow_reads, worker.sweeps = shortest_ns, slow, sweeps
    assert may_share(worker) is expected


def test_a_guarded_chip_never_shares_a_thread() -> None:
    worker = _worker(FakeChip(lambda now: 1.0), [], HOT)
    worker.shortest_ns, worker.sweeps = 0, 10
    assert not may_share(worker)
