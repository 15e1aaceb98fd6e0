"""Threads that read chips: quick ones share, hung ones are left behind."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable

import pytest

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.results import Channel
from harness.sensors.alarm import Alarm, listener
from harness.sensors.chip_worker import ChipWorker, GuardDesk, Schedule, Sweep
from harness.sensors.guard import Guard, GuardLimit
from harness.sensors.reader import Reader, may_share
from harness.sensors.sampler import Sampler, SamplerConfig
from tests.sensors.fakes import DIE, FakeBoard, FakeChip, catalogue_of

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


def test_the_sampler_puts_quick_chips_together_and_leaves_one_that_hangs_later_behind() -> None:
    hanging, release = threading.Event(), threading.Event()

    def now_and_then(now: float) -> float:
        if hanging.is_set():
            release.wait(30)
        return 1.0

    others = [
        FakeChip(lambda now: 1.0, channels=(Channel(str(place), str(place), "°C", "test"),))
        for place in range(3)
    ]
    troubled = FakeChip(now_and_then, channels=(Channel("t", "t", "°C", "test"),))
    config = SamplerConfig("/", 0.01, SYSTEM.monotonic_ns(), chip_deadline_seconds=0.1)
    sampler = Sampler(config, catalogue_of(*others, troubled), FakeBoard(), lambda it: True)
    sampler.begin()

    def turn_until(condition: Callable[[], bool]) -> None:
        def both() -> bool:
            sampler.turn()
            return condition()

        _until(both)

    try:
        turn_until(lambda: max(len(it.workers) for it in sampler.readers) == 4)
        hanging.set()
        turn_until(lambda: [len(it.workers) for it in sampler.readers if it.workers] == [1, 3])
        reads = [len(chip.reads) for chip in others]
        turn_until(lambda: min(len(it.reads) for it in others) > max(reads) + 3)
    finally:
        release.set()
        sampler.end("done", 0)
    assert all(chip.closed for chip in (*others, troubled))


def test_the_alarm_wakes_a_sleeping_loop_when_a_chip_hangs_in_the_common_thread() -> None:
    hanging, release = threading.Event(), threading.Event()

    def now_and_then(now: float) -> float:
        if hanging.is_set():
            release.wait(30)
        return 1.0

    channels = [Channel(name, name, "°C", "test") for name in "abc"]
    others = [FakeChip(lambda now: 1.0, channels=(it,)) for it in channels[:2]]
    troubled = FakeChip(now_and_then, channels=(channels[2],))
    alarm = Alarm()
    ours, _theirs = multiprocessing.Pipe()
    hears = listener(ours, alarm)
    config = SamplerConfig("/", 0.02, SYSTEM.monotonic_ns(), chip_deadline_seconds=0.1)
    catalogue = catalogue_of(*others, troubled)
    sampler = Sampler(config, catalogue, FakeBoard(), lambda it: True, alarm=alarm)
    sampler.begin()

    def turn_until(condition: Callable[[], bool], longest_seconds: float) -> None:
        def both() -> bool:
            sampler.turn()
            return condition() or hears(min(sampler.seconds_to_turn(), longest_seconds))

        _until(both)

    try:
        turn_until(lambda: max(len(it.workers) for it in sampler.readers) == 3, 0.1)
        hanging.set()
        _until(lambda: any(it.busy_since_ns for it in sampler.workers))
        sampler.seconds_to_turn = lambda: 60.0  # type: ignore[method-assign]
        turn_until(lambda: [len(it.workers) for it in sampler.readers if it.workers] == [1, 2], 60)
        reads = [len(chip.reads) for chip in others]
        _until(lambda: min(len(it.reads) for it in others) > max(reads) + 3)
    finally:
        release.set()
        sampler.end("done", 0)
        alarm.close()
    assert all(chip.closed for chip in (*others, troubled))
