"""The operator's wish to stop: Ctrl-C, a closed terminal, a stopped service.

Signals are heard from the moment the run has a record until its report is written. What a signal
says is kept until the runner asks; the load is stopped at once, from the handler itself. A signal
that comes after the load only finds the record being closed and the report being written: that is
finished, since half a report helps nobody. Whoever insists (a third signal) ends it by force; the
next command on that runs folder then explains the run.
"""

from __future__ import annotations

import signal
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from harness.clock import NS_PER_SECOND, SYSTEM, Clock

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")
#: This many signals end the process by force, when the last comes so long after the first: a key
#: that is held down repeats itself and means no more than one that is pressed.
INSISTENCE = 3
INSISTENCE_NS = 2 * NS_PER_SECOND


class Signals:
    """What the operator has signalled; `at_once` is called from the handler and must be quick."""

    def __init__(self, clock: Clock = SYSTEM) -> None:
        self.at_once: Callable[[], None] = lambda: None
        self._clock = clock
        self._waiting: deque[str] = deque()
        self._count = 0
        self._first_ns = 0

    def __bool__(self) -> bool:
        """True when a signal waits to be taken."""
        return bool(self._waiting)

    def take(self) -> tuple[str, ...]:
        """Names of the signals since the last call."""
        found = []
        while self._waiting:
            found.append(self._waiting.popleft())
        return tuple(found)

    def heard(self, number: int, _frame: FrameType | None = None) -> None:
        """The handler. Raises KeyboardInterrupt for an operator who insists."""
        now_ns = self._clock.monotonic_ns()
        self._first_ns = self._first_ns or now_ns
        self._count += 1
        self._waiting.append(signal.Signals(number).name)
        self.at_once()
        if self._count >= INSISTENCE and now_ns - self._first_ns >= INSISTENCE_NS:
            raise KeyboardInterrupt


@contextmanager
def signals_heard() -> Iterator[Signals]:
    """Hear the operator's signals instead of dying of them; as before at the end.

    A signal that we were started to ignore stays ignored: that is how nohup(1) lets a run outlive
    its terminal. Outside the main thread nothing is heard: whoever embeds us handles signals.
    """
    found = Signals()
    known = [getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)]
    numbers = [number for number in known if signal.getsignal(number) is not signal.SIG_IGN]
    before = {}
    with suppress(ValueError):  # not the main thread
        before = {number: signal.signal(number, found.heard) for number in numbers}
    try:
        yield found
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
