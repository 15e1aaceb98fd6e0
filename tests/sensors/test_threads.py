"""Quick chips come together in one thread, and one that hangs there later is left behind."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable

import pytest

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.results import Channel
from harness.sensors.alarm import Alarm, listener
from harness.sensors.chip_worker import ChipWorker, GuardDesk, Schedule
from harness.sensors.guard import Guard
from harness.sensors.reader import PROVING_SWEEPS, Reader
from harness.sensors.sampler import Sampler, SamplerConfig
from harness.sensors.threads import ChipThreads
from tests.sensors.fakes import FakeBoard, FakeChip, catalogue_of


def _until(condition: Callable[[], bool], seconds: float = 20.0) -> None:
    deadline_ns = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    while not condition():
        assert SYSTEM.monotonic_ns() < deadline_ns, "did not happen in time"
        SYSTEM.sleep(0.002)


def chips_by_thread(sampler: Sampler) -> list[int]:
    return [len(it.workers) for it in sampler.threads.readers if it.workers]


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
        turn_until(lambda: max(len(it.workers) for it in sampler.threads.readers) == 4)
        hanging.set()
        turn_until(
            lambda: [len(it.workers) for it in sampler.threads.readers if it.workers] == [1, 3]
        )
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
        turn_until(lambda: max(len(it.workers) for it in sampler.threads.readers) == 3, 0.1)
        hanging.set()
        _until(lambda: any(it.busy_since_ns for it in sampler.workers))
        sampler.seconds_to_turn = lambda: 60.0  # type: ignore[method-assign]
        turn_until(
            lambda: [len(it.workers) for it in sampler.threads.readers if it.workers] == [1, 2], 60
        )
        reads = [len(chip.reads) for chip in others]
        _until(lambda: min(len(it.reads) for it in others) > max(reads) + 3)
    finally:
        release.set()
        sampler.end("done", 0)
        alarm.close()
    assert all(chip.closed for chip in (*others, troubled))


def _quick_workers(count: int) -> list[ChipWorker]:
    desk = GuardDesk(Guard((), ()), lambda: None, lambda it: None, lambda it: None)
    workers = []
    for number in range(count):
        channel = Channel(str(number), str(number), "°C", "test")
        chip = FakeChip(lambda now: 1.0, channels=(channel,), name=str(number))
        worker = ChipWorker(
            number, chip, Schedule(0, NS_PER_SECOND), clock=SYSTEM, run_started_ns=0, desk=desk,
            hand_over=lambda sweep: None,
        )  # fmt: skip
        worker.sweeps, worker.shortest_ns = PROVING_SWEEPS, 1_000
        workers.append(worker)
    return workers


def test_chips_are_gathered_from_the_common_thread_too_and_none_is_left_with_a_slow_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No thread is started: who shares with whom is all that matters."""
    monkeypatch.setattr(Reader, "start", lambda self: None)
    workers = _quick_workers(4)
    threads = ChipThreads(workers, SYSTEM, None, lambda: None)
    threads.begin()

    def arranged(at_seconds: int) -> list[str]:
        threads.arrange(at_seconds * NS_PER_SECOND)
        return sorted("".join(it.chip.name for it in one.workers) for one in threads.readers
                      if one.workers)  # fmt: skip

    assert arranged(1) == ["0123"]
    for worker in workers[2:]:
        worker.slow_reads = 100
    assert arranged(2) == ["01", "2", "3"]
    for worker in workers[2:]:
        worker.slow_reads = 0
    workers[0].slow_reads = 100
    assert arranged(40) == ["0", "123"]
    assert threads._common is not None
    assert len(threads._common.workers) == 3
    workers[0].slow_reads = 0
    assert arranged(80) == ["1230"]


def test_a_chip_that_is_being_read_stays_in_the_old_thread_when_the_others_are_gathered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(Reader, "start", lambda self: None)
    workers = _quick_workers(3)
    threads = ChipThreads(workers, SYSTEM, None, lambda: None)
    threads.begin()
    threads.arrange(NS_PER_SECOND)
    workers[2].slow_reads = 100
    threads.arrange(2 * NS_PER_SECOND)
    workers[2].slow_reads = 0
    assert threads._common is not None
    threads._common._current, workers[0].slow_reads = workers[0], 100  # it hangs, and was slow
    threads.arrange(40 * NS_PER_SECOND)
    assert [[it.number for it in one.workers] for one in threads.readers if one.workers] == [
        [0], [1, 2],
    ]  # fmt: skip
