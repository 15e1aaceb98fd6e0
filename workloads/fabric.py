"""Round-trip time of a message between two lanes, through the caches and what connects them.

A message is one cache line (64 bytes): a sequence number and seven words of payload. End 0 writes
its line and stores the number with release semantics; end 1 spins on the number, reads the payload,
writes the answer into a line of its own and stores the same number there, for which end 0 spins.
One message there and one back is a round trip (ping-pong: common practice, no source); no lock and
no system call takes part, so the time is that of two cache lines changing cores. Round trips of all
pairs of lanes make the matrix of the machine's fabric.

Check, at both ends: the number seen is the previous one or the next one, never another, and never
goes back; each payload word is ``word xor (number step)`` (answers: inverted), compared bit by bit.
Numbers go on over passes; taken out of the payload they leave the same sums in every pass.

Each pass begins with one message that is not timed, in which the ends meet. Each end looks at the
clock and the stop flag by itself after each pass, so one of them may begin a pass that the other
does not. :meth:`FabricTask.finish` therefore leaves a word for the peer: "I have left, this was my
last message". An end that finds it while the messages stand where its pass began takes the pass
back: it was *not begun* (:attr:`Task.began` is False), the log stays that of the last whole pass
and nothing is counted, neither as right nor as wrong. A peer that is merely silent between two
passes for two seconds is taken to have left; one that falls silent inside a pass, or before the
first one, is a fault: :class:`PeerSilent`. A wrong number or word is never taken back.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Mapping
from statistics import median
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numba import njit, uint64

from workloads.atomics import load_acquire, store_release
from workloads.clock import perf_ns
from workloads.contract import (
    Finding,
    PairContext,
    PairedWorkload,
    Parameter,
    Parameters,
    Task,
    Value,
    whole,
)
from workloads.digest import fold
from workloads.prng import splitmix64
from workloads.words import (
    ALL_ONES,
    BITS,
    COMPARED,
    EXPECTED,
    FIRST,
    FOUND,
    LOG_WORDS,
    STEP,
    SUM,
    WRONG,
    new_log,
    note,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Words = NDArray[np.uint64]

#: First words of the two lines; no two lines that a core may fetch as a pair (128 bytes).
_LINES = (16, 40)
#: The word by which end 0 and end 1 say that they have left; far from the lines that are spun on.
_FAREWELLS = (0, 56)
_SHARED_WORDS = 64
_PAYLOAD_WORDS = 7
#: Looks at the peer's number before the kernel returns, so that the clock can be asked.
_SPINS = 1 << 16
_PATIENCE_NS = 2_000_000_000
#: The reading is the median of this many last passes.
_PASSES_KEPT = 32
_PAYLOAD_ROW, _NUMBER_ROW = 0, 1


class PeerSilent(RuntimeError):
    """The other end of a pair did not answer in time."""


@njit(cache=True, nogil=True)
def _await(shared, line, number, row):  # type: ignore[no-untyped-def]
    """Spin until the line carries `number`; False after too many looks. Others go to the log."""
    for _ in range(_SPINS):
        seen = load_acquire(shared, line)
        if seen == number:
            row[COMPARED] += uint64(1)
            return True
        if seen != number - uint64(1):
            if row[WRONG] == uint64(0):
                row[FIRST], row[EXPECTED], row[FOUND] = number, number, seen
            row[WRONG] += uint64(1)
            row[BITS] |= seen ^ number
    return False


@njit(cache=True, nogil=True)
def _send(shared, line, number, payload, mask):  # type: ignore[no-untyped-def]
    code = number * uint64(STEP) ^ mask
    for place in range(_PAYLOAD_WORDS):
        shared[line + uint64(1 + place)] = payload[place] ^ code
    store_release(shared, line, number)


@njit(cache=True, nogil=True)
def _receive(shared, line, number, payload, mask, row):  # type: ignore[no-untyped-def]
    code = number * uint64(STEP) ^ mask
    differing = uint64(0)
    for place in range(_PAYLOAD_WORDS):
        word = shared[line + uint64(1 + place)] ^ code
        row[SUM] += word
        differing |= word ^ payload[place]
    if differing != uint64(0):
        arrived = shared[line + uint64(1) : line + uint64(1 + _PAYLOAD_WORDS)]
        note(row, arrived ^ code, payload, number * uint64(_PAYLOAD_WORDS))
    row[COMPARED] += uint64(_PAYLOAD_WORDS)


@njit(cache=True, nogil=True)
def _ask(shared, ours, theirs, payload, first, count, log):  # type: ignore[no-untyped-def]
    """End 0: messages `first` to `first + count - 1`; returns how many were answered."""
    for done in range(count):
        number = first + uint64(done)
        # Sent again after a pause in which the clock was asked: the very same words.
        _send(shared, ours, number, payload, uint64(0))
        if not _await(shared, theirs, number, log[_NUMBER_ROW]):
            return done
        _receive(shared, theirs, number, payload, uint64(ALL_ONES), log[_PAYLOAD_ROW])
    return count


@njit(cache=True, nogil=True)
def _answer(shared, ours, theirs, payload, first, count, log):  # type: ignore[no-untyped-def]
    """End 1: as `_ask`, waiting for each message and answering it."""
    for done in range(count):
        number = first + uint64(done)
        if not _await(shared, theirs, number, log[_NUMBER_ROW]):
            return done
        _receive(shared, theirs, number, payload, uint64(0), log[_PAYLOAD_ROW])
        _send(shared, ours, number, payload, uint64(ALL_ONES))
    return count


class FabricTask(Task):
    """One end of a pair."""

    def __init__(self, pair: PairContext, round_trips: int, seed: int) -> None:
        super().__init__()
        self._shared: Words = np.asarray(pair.shared, np.uint64)
        if self._shared.size < _SHARED_WORDS:
            size = self._shared.size
            raise ValueError(f"shared: received {size} words, needs {_SHARED_WORDS}")
        self._end, self._peers = pair.end, pair.peers
        self._ours, self._theirs = _LINES if pair.end == 0 else _LINES[::-1]
        self._farewell, self._their_farewell = _FAREWELLS if pair.end == 0 else _FAREWELLS[::-1]
        self._shared[self._ours : self._ours + 1 + _PAYLOAD_WORDS] = 0
        self._shared[self._farewell] = 0
        self.payload = splitmix64(seed, _PAYLOAD_WORDS)
        self.log = new_log(2)
        self.patience_ns = _PATIENCE_NS
        self._round_trips, self._number = round_trips, 0
        #: Number with which the pass began; whole passes of this stretch; stretches, this one too.
        self._begin, self._whole, self._stretch = 0, 0, 1
        self._times_ns: deque[float] = deque(maxlen=_PASSES_KEPT)
        self.work_per_pass = float(round_trips + 1)

    def execute(self) -> None:
        """See :class:`Task`. Raises PeerSilent; end 0 sets the reading ``round_trip_ns``."""
        last, self._begin = self.log.copy(), self._number
        self.log[:] = 0
        self.began = self._exchange(1) and self._timed()
        if self.began:
            self._whole += 1
        else:
            self.log[:], self._number = last, self._begin

    def finish(self) -> None:
        """See :class:`Task`: the peer may be waiting for a pass that will not come."""
        self._shared[self._farewell] = _farewell(self._stretch, self._number)
        self._stretch, self._whole = self._stretch + 1, 0

    def _timed(self) -> bool:
        before = perf_ns()
        whole = self._exchange(self._round_trips)
        if whole and self._end == 0:
            self._times_ns.append((perf_ns() - before) / self._round_trips)
            self.readings["round_trip_ns"] = median(self._times_ns)
        return whole

    def _exchange(self, count: int) -> bool:
        """Pass on `count` messages; False when the peer has left and the pass is not begun."""
        kernel = _ask if self._end == 0 else _answer
        lines = np.uint64(self._ours), np.uint64(self._theirs)
        progress_ns = perf_ns()
        while count:
            first = np.uint64(self._number + 1)
            done = kernel(self._shared, *lines, self.payload, first, count, self.log)
            self._number += done
            count -= done
            now = perf_ns()
            if done:
                progress_ns = now
            elif self._not_begun(now - progress_ns > self.patience_ns):
                return False
            if count:
                _let_others_run()
        return True

    def _not_begun(self, silent: bool) -> bool:
        """Whether the peer has no part in this pass. Raises PeerSilent where that is a fault."""
        left = int(self._shared[self._their_farewell]) == _farewell(self._stretch, self._begin)
        between = self._whole > 0 and not self.log[:, WRONG].any()
        if between and (left or (silent and self._number == self._begin)):
            return True
        if left or silent:
            self._give_up(left)
        return False

    def _give_up(self, left: bool) -> None:
        peer, own = self._peers[1 - self._end], self._peers[self._end]
        seen, due = int(self._shared[self._theirs]), self._number + 1
        since = "which has left" if left else f"for {self.patience_ns / 1e9:g} s"
        what = f"no answer from CPU {peer} to CPU {own} {since}"
        if self.log[_NUMBER_ROW, WRONG]:
            what = f"wrong message number from CPU {peer} to CPU {own}, {what}"
        raise PeerSilent(f"{what}: waiting for message {due}, seen {seen}")

    def digest(self) -> int:
        """See :class:`Task`."""
        return fold(self.log)

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        return fold(self.payload)

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`; the shared lines belong to both ends and are not among them."""
        return {"input_payload": self.payload, "result_log": self.log}

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`: what the last pass saw."""
        numbers, payload = self.log[_NUMBER_ROW], self.log[_PAYLOAD_ROW]
        way = f"from CPU {self._peers[1 - self._end]} to CPU {self._peers[self._end]}"
        return (
            Finding("sequence numbers", not numbers[WRONG], _seen(numbers, 1, way)),
            Finding("payload", not payload[WRONG], _seen(payload, _PAYLOAD_WORDS, way)),
        )


def _let_others_run() -> None:
    """After a long silence: perhaps the peer waits for this very core."""
    if hasattr(os, "sched_yield"):
        os.sched_yield()


def _farewell(stretch: int, number: int) -> int:
    """The word an end leaves behind after `stretch` (from 1) ended with message `number`.

    Both ends know both numbers, so only the right word is believed: one that lost a bit is none.
    """
    return (stretch << 48 ^ number) * STEP % (1 << 64)


def _seen(row: Words, words: int, way: str) -> str:
    wrong, right = int(row[WRONG]), int(row[COMPARED])
    if not wrong:
        return f"{right} compared, none wrong"
    place = f"message {int(row[FIRST]) // words} {way}"
    bits = f"expected 0x{int(row[EXPECTED]):016x}, found 0x{int(row[FOUND]):016x}"
    return f"{wrong} wrong, {right} compared, first in {place}: {bits}"


class FabricRoundTrip(PairedWorkload):
    """Messages to and fro between two lanes: ``round trip = time / messages``."""

    name = "fabric-round-trip"
    version = 1
    family = "fabric"
    unit = "round trip"
    purpose = "cache lines changing hands between two cores"
    check = "sequence numbers never skip or go back; every payload word compared at both ends"
    shipped_golden = True
    always_shipped = True
    lower_is_better = True
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "round_trips": Parameter(50_000, "timed round trips of one pass", "", 1, 10_000_000)
    }
    small: ClassVar[Mapping[str, Value]] = {"round_trips": 50}

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`: the shared lines, a log and a payload."""
        return (_SHARED_WORDS + 2 * LOG_WORDS + _PAYLOAD_WORDS) * 8

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """Refused: raises ValueError, since one lane has nobody to talk to."""
        raise ValueError(f"{self.name}: received one lane, needs a pair; use pattern: pairs")

    def prepare_pair(self, parameters: Parameters, seed: int, pair: PairContext) -> FabricTask:
        """See :class:`PairedWorkload`."""
        return FabricTask(pair, whole(parameters, "round_trips"), seed)

    def golden(self, parameters: Parameters, seed: int) -> int:
        """See :class:`Workload`: closed form, the same at both ends."""
        messages = whole(parameters, "round_trips") + 1
        words = sum(int(word) for word in splitmix64(seed, _PAYLOAD_WORDS))
        rest = [0] * (LOG_WORDS - 2)
        payload = [messages * _PAYLOAD_WORDS, messages * words % (1 << 64), *rest]
        return fold(np.array([payload, [messages, 0, *rest]], np.uint64))

    def warm(self) -> None:
        """See :class:`Workload`: both ends in turn, the second finding its message waiting."""
        shared = np.zeros(_SHARED_WORDS, np.uint64)
        asking, answering = (FabricTask(PairContext(shared, end), 1, 1) for end in (0, 1))
        lines = np.uint64(_LINES[0]), np.uint64(_LINES[1])
        one = np.uint64(1)
        _ask(shared, *lines, asking.payload, one, 1, asking.log)
        _answer(shared, *lines[::-1], answering.payload, one, 1, answering.log)
        asking.digest()
