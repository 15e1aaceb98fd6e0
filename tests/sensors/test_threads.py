"""Quick chips come together in one thread, and one that hangs there later is left behind."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.results import Channel
from harness.sensors.alarm import Alarm, listener
from harness.sensors.sampler import Sampler, SamplerConfig
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
