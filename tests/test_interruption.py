"""The operator's signals: kept until asked for, acted on at once, obeyed when insisted upon."""

from __future__ import annotations

import os
import signal
import threading

import pytest

from harness.clock import ManualClock
from harness.interruption import INSISTENCE, INSISTENCE_NS, Signals, signals_heard

NAMES = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]


@pytest.mark.parametrize("name", NAMES)
def test_a_signal_is_kept_until_it_is_asked_for(name: str) -> None:
    with signals_heard() as signals:
        os.kill(os.getpid(), getattr(signal, name))
        assert signals
        assert signals.take() == (name,)
        assert not signals
        assert signals.take() == ()


def test_the_load_is_stopped_from_the_handler_itself() -> None:
    stopped = []
    signals = Signals()
    signals.at_once = lambda: stopped.append(signals.take())
    signals.heard(signal.SIGINT)
    assert stopped == [("SIGINT",)]


def test_the_handlers_from_before_are_put_back() -> None:
    before = [signal.getsignal(getattr(signal, name)) for name in NAMES]
    with signals_heard():
        assert signal.getsignal(signal.SIGINT) not in before
    assert [signal.getsignal(getattr(signal, name)) for name in NAMES] == before


def test_a_signal_that_was_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGTERM, signal.SIG_IGN)
    try:
        with signals_heard() as signals:
            os.kill(os.getpid(), signal.SIGTERM)
            assert signals.take() == ()
    finally:
        signal.signal(signal.SIGTERM, before)


def test_a_key_that_is_held_down_is_no_insistence() -> None:
    signals = Signals(ManualClock())
    for _ in range(100):
        signals.heard(signal.SIGINT)
    assert len(signals.take()) == 100


def test_an_operator_who_insists_ends_it_by_force() -> None:
    clock = ManualClock()
    signals = Signals(clock)
    for _ in range(INSISTENCE - 1):
        signals.heard(signal.SIGINT)
        clock.advance(INSISTENCE_NS / 1e9)
    with pytest.raises(KeyboardInterrupt):
        signals.heard(signal.SIGINT)


def test_outside_the_main_thread_signals_are_left_to_whoever_embeds_us() -> None:
    before, found = signal.getsignal(signal.SIGINT), []

    def embedded() -> None:
        with signals_heard() as signals:
            found.append((signals.take(), signal.getsignal(signal.SIGINT)))

    thread = threading.Thread(target=embedded)
    thread.start()
    thread.join()
    assert found == [((), before)]
