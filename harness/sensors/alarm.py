"""What wakes the sampler's loop between its turns: a ring, and a watch that costs no wake-up.

Waking a thread after every sweep only to see that no driver hangs costs as much as half the sweep.
A timer of the kernel that is set before the reads and cleared behind them (setitimer(2)) wakes the
loop only when a read has really taken too long.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from types import FrameType


class Alarm:
    """The real timer of this process and a pipe that makes the loop's `poll` return.

    To be made in the process's main thread, which must be the one that polls :meth:`fileno`;
    where :meth:`is_possible` says no, the loop must look for itself. One watch at a time.
    """

    def __init__(self) -> None:
        self._reading, self._writing = os.pipe()
        os.set_blocking(self._reading, False)
        os.set_blocking(self._writing, False)
        self._before = signal.signal(signal.SIGALRM, _nothing)
        self._wakes_before = signal.set_wakeup_fd(self._writing, warn_on_full_buffer=False)

    @staticmethod
    def is_possible() -> bool:
        """True in the main thread of a process whose system has such a timer and `poll`."""
        has = hasattr(signal, "setitimer") and hasattr(select, "poll")
        return has and threading.current_thread() is threading.main_thread()

    def fileno(self) -> int:
        """What to poll for input."""
        return self._reading

    def watch(self, seconds: float) -> None:
        """Ring every `seconds` from now until :meth:`rest`; any thread may call it."""
        signal.setitimer(signal.ITIMER_REAL, seconds, seconds)

    def rest(self) -> None:
        """End the watch."""
        signal.setitimer(signal.ITIMER_REAL, 0.0)

    def ring(self) -> None:
        """Wake the loop now; any thread may call it. A full pipe rings already."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._writing, b"\0")

    def hush(self) -> None:
        """Forget the rings so far."""
        with contextlib.suppress(BlockingIOError):
            os.read(self._reading, 65_536)

    def close(self) -> None:
        """End the watch and give the signal and the pipe back."""
        self.rest()
        signal.set_wakeup_fd(self._wakes_before)
        signal.signal(signal.SIGALRM, self._before)
        os.close(self._reading)
        os.close(self._writing)


def listener(connection: Connection, alarm: Alarm | None) -> Callable[[float], bool]:
    """Waits for a message or a ring, at most so many seconds; true for a message.

    Cheaper than the connection's own `poll`.
    """
    if alarm is None:
        return connection.poll
    poll = select.poll()
    poll.register(connection.fileno(), select.POLLIN)
    poll.register(alarm.fileno(), select.POLLIN)

    def hears(seconds: float) -> bool:
        ready = [descriptor for descriptor, _ in poll.poll(seconds * 1_000)]
        if alarm.fileno() in ready:
            alarm.hush()
        return connection.fileno() in ready

    return hears


def _nothing(number: int, frame: FrameType | None) -> None:
    """The signal's work is done by the byte that Python writes to the pipe."""
