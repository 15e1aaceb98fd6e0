"""Lends a deadline to waits that have none: whoever does not answer in time is ended.

multiprocessing waits without limit for the process id of a child that the template process forks,
and for the rest of a message whose beginning has arrived. A stopped process, or one that hangs in a
driver, would hold its parent for ever. A thread looks on and kills whoever is waited for too long;
the wait then ends with an end of file.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

#: How often the thread looks; also how much later than stated somebody may be ended.
LOOK_SECONDS = 0.25


@dataclass(frozen=True)
class Limit:
    """How long somebody may be waited for: without any work of theirs, and at all."""

    idle_seconds: float
    most_seconds: float


#: The rest of a message whose beginning is there: it is in memory already where its sender lives.
MESSAGE = Limit(5.0, 5.0)


class Overdue(Exception):
    """Whoever was waited for did not answer in time and was ended; the message says after what."""


def _no_work() -> float:
    return 0.0


class _Wait:
    """One wait. Time is counted in looks, so that a suspended or stopped parent blames nobody."""

    def __init__(self, limit: Limit, end: Callable[[], None], work: Callable[[], float]) -> None:
        self.ended_after = ""
        self.has_ended = False
        self._limit = limit
        self._end = end
        self._work = work
        self._done: float | None = None
        self._idle_seconds = self._all_seconds = 0.0

    def look(self) -> None:
        """Count one look, and end whoever is waited for when it was one too many."""
        if not self.ended_after:
            self._count()
        if self.ended_after:
            self._try_to_end()

    def _count(self) -> None:
        self._all_seconds += LOOK_SECONDS
        self._idle_seconds = 0.0 if self._has_worked() else self._idle_seconds + LOOK_SECONDS
        if self._idle_seconds >= self._limit.idle_seconds:
            self.ended_after = f"no sign of life for {self._limit.idle_seconds:g} s"
        elif self._all_seconds >= self._limit.most_seconds:
            self.ended_after = f"no answer within {self._limit.most_seconds:g} s"

    def _has_worked(self) -> bool:
        try:
            done = self._work()
        except Exception:  # noqa: BLE001 - what cannot be looked at has shown no sign of life
            return False
        changed = done != self._done
        self._done = done
        return changed

    def _try_to_end(self) -> None:
        try:
            self._end()
        except Exception:  # noqa: BLE001 - the thread must live on, and the next look tries again
            return
        self.has_ended = True


class Patience:
    """The thread that looks on. Close it when no more waits will come."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._wait: _Wait | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look_on, name="patience", daemon=True)
        self._thread.start()

    @contextmanager
    def limited(
        self, limit: Limit, end: Callable[[], None], work: Callable[[], float] = _no_work
    ) -> Iterator[None]:
        """Let the body wait no longer than `limit`; one body at a time, of one thread.

        `end` must make the wait end; another thread calls it, and again while it raises. `work` is
        a number that changes while the awaited process does something; raising is no sign of life.
        Raises Overdue instead of whatever the body raised when `end` was called.
        """
        wait = _Wait(limit, end, work)
        self._wait = wait
        try:
            yield
        except Exception as error:
            if wait.ended_after:
                raise Overdue(wait.ended_after) from error
            raise
        finally:
            with self._lock:
                self._wait = None
        if wait.ended_after:
            raise Overdue(wait.ended_after)

    def close(self) -> None:
        """End the thread."""
        self._over.set()
        self._thread.join()

    def _look_on(self) -> None:
        while not self._over.wait(LOOK_SECONDS):
            with self._lock:
                if self._wait is not None and not self._wait.has_ended:
                    self._wait.look()
