"""Messages on their way to the run: bounded, and never a reason to wait.

A parent that is starved does not read its pipe. The sampler goes on sampling and guarding; sample
batches that find the queue full are dropped and counted, everything else is kept.

Waking the sending thread costs as much as the message, so a message for which the pipe certainly
has room is sent by whoever has it; the thread sends what must wait.
"""

from __future__ import annotations

import select
import sys
import threading
from collections import deque
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.reduction import ForkingPickler

from harness.sensors.messages import FromSampler, SampleBatch

#: Events and the like are rare; more than this many unsent ones means that nobody reads.
_MOST_URGENT = 10_000
#: Linux calls a Unix socket writable while three quarters of its send buffer are free
#: (net/unix/af_unix.c, unix_writable): 159 KiB of the usual 208. A message of this size fits even
#: when its buffers' overhead doubles it.
_CERTAINLY_FITS_BYTES = 48 * 1024


class Outbox:
    """A bounded queue in front of a connection, with one sending thread."""

    def __init__(self, connection: Connection, most_batches: int = 64) -> None:
        self._connection = connection
        self._most_batches = most_batches
        self._queue: deque[FromSampler] = deque()
        self._batches = 0
        self._changed = threading.Condition()
        self._sending = False
        self._closing = False
        self._has_room = _room_of(connection)
        #: True once the other end of the connection has gone.
        self.broken = False
        self.dropped_samples = 0
        self._thread = threading.Thread(target=self._send_all, name="sender", daemon=True)
        self._thread.start()

    def put(self, message: FromSampler) -> bool:
        """Queue a message; False when it was dropped. Never blocks."""
        with self._changed:
            if self._has_room() and self._send_here(message):
                return True
            if isinstance(message, SampleBatch):
                if self._batches >= self._most_batches:
                    self.dropped_samples += message.count
                    return False
                self._batches += 1
            elif len(self._queue) - self._batches >= _MOST_URGENT:
                return False
            self._queue.append(message)
            self._changed.notify_all()
            return True

    def flush(self, seconds: float) -> bool:
        """Wait until everything is sent, at most `seconds`; True when it is."""
        with self._changed:
            self._changed.wait_for(lambda: self.broken or self._is_idle(), seconds)
            return self._is_idle()

    def close(self, seconds: float) -> bool:
        """Send what is left, at most for `seconds`, and end the thread; True when all is sent."""
        done = self.flush(seconds)
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        return done

    def _send_here(self, message: FromSampler) -> bool:
        """Send a small message past the empty queue; False when it must take its turn."""
        if self.broken or self._closing or not self._is_idle():
            return False
        packed = ForkingPickler.dumps(message)
        if len(packed) > _CERTAINLY_FITS_BYTES:
            return False
        try:
            self._connection.send_bytes(packed)
        except OSError:
            self.broken = True
        return True

    def _is_idle(self) -> bool:
        return not self._queue and not self._sending

    def _send_all(self) -> None:
        while (message := self._next()) is not None:
            try:
                self._connection.send(message)
            except OSError:
                self._break()
                return
            with self._changed:
                self._sending = False
                self._changed.notify_all()

    def _next(self) -> FromSampler | None:
        with self._changed:
            self._changed.wait_for(lambda: self._queue or self._closing)
            if not self._queue:
                return None
            message = self._queue.popleft()
            self._batches -= isinstance(message, SampleBatch)
            self._sending = True
            return message

    def _break(self) -> None:
        with self._changed:
            self.broken = True
            self._sending = False
            self._queue.clear()
            self._changed.notify_all()


def _room_of(connection: Connection) -> Callable[[], bool]:
    """Says whether a small message can be written without waiting; never, where nobody knows."""
    if not (sys.platform.startswith("linux") and isinstance(connection, Connection)):
        return lambda: False
    poll = select.poll()
    poll.register(connection.fileno(), select.POLLOUT)
    return lambda: poll.poll(0) == [(connection.fileno(), select.POLLOUT)]
