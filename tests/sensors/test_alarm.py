"""The loop's alarm: it rings when told to and while a watch runs out, and not otherwise."""

from __future__ import annotations

import multiprocessing
import select
import signal
import threading
from collections.abc import Iterator

import pytest

from harness.sensors.alarm import Alarm, listener


@pytest.fixture
def alarm() -> Iterator[Alarm]:
    before = signal.getsignal(signal.SIGALRM)
    it = Alarm()
    yield it
    it.close()
    assert signal.getsignal(signal.SIGALRM) is before


def test_it_is_possible_in_the_main_thread_only() -> None:
    answers: list[bool] = []
    thread = threading.Thread(target=lambda: answers.append(Alarm.is_possible()))
    thread.start()
    thread.join()
    assert (Alarm.is_possible(), answers) == (True, [False])


def test_a_message_is_heard_and_a_ring_only_wakes(alarm: Alarm) -> None:
    ours, theirs = multiprocessing.Pipe()
    hears = listener(ours, alarm)
    assert not hears(0.0)
    alarm.ring()
    assert not hears(60.0), "woken at once, but there is no message"
    theirs.send("a message")
    assert hears(60.0)


def test_a_watch_that_runs_out_wakes_the_loop_again_and_again_until_it_ends(alarm: Alarm) -> None:
    ours, _theirs = multiprocessing.Pipe()
    hears = listener(ours, alarm)
    watched = threading.Thread(target=alarm.watch, args=(0.01,))
    watched.start()
    watched.join()
    assert [hears(60.0), hears(60.0)] == [False, False]
    alarm.rest()
    alarm.hush()
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


def test_rings_that_nobody_hears_never_hold_up_who_rings_and_are_heard_as_one(
    alarm: Alarm,
) -> None:
    for _ in range(100_000):
        alarm.ring()
    alarm.hush()
    assert select.select([alarm.fileno()], [], [], 0)[0] == []


def test_without_an_alarm_the_connection_is_polled() -> None:
    ours, theirs = multiprocessing.Pipe()
    hears = listener(ours, None)
    assert not hears(0.0)
    theirs.send("a message")
    assert hears(60.0)
