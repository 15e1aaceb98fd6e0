"""Messages on their way to a run that may not be listening."""

from __future__ import annotations

import multiprocessing
import threading
from multiprocessing.connection import Connection

from harness.results import Event, EventKind
from harness.sensors.contract import Reading
from harness.sensors.messages import SampleBatch, SamplerReady, SensorEvent
from harness.sensors.outbox import Outbox
from harness.sweeps import PackedSweep

BATCH = SampleBatch(
    (PackedSweep.of(("a", "b"), (Reading("a", 1.0), Reading("b", 2.0)), 0.0, 0.001),)
)


class Stuck:
    """A connection whose reader takes nothing until it is let go."""

    def __init__(self) -> None:
        self.go = threading.Event()
        self.began = threading.Event()
        self.sent: list[object] = []

    def send(self, message: object) -> None:
        self.began.set()
        self.go.wait(30)
        self.sent.append(message)


def _pipe() -> tuple[Connection, Connection]:
    return multiprocessing.Pipe()


def test_messages_arrive_in_order() -> None:
    ours, theirs = _pipe()
    outbox = Outbox(theirs)
    for at in range(5):
        assert outbox.put(SamplerReady(float(at)))
    assert outbox.close(5.0)
    assert [ours.recv().at_seconds for _ in range(5)] == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_a_reader_that_takes_nothing_costs_batches_which_are_counted_but_no_event() -> None:
    stuck = Stuck()
    outbox = Outbox(stuck, most_batches=3)  # type: ignore[arg-type]
    outbox.put(SamplerReady(0.0))
    assert stuck.began.wait(5)
    accepted = [outbox.put(BATCH) for _ in range(10)]
    assert accepted == [True] * 3 + [False] * 7
    assert outbox.dropped_samples == 14
    assert outbox.put(SensorEvent(Event(EventKind.NOTE, 0.0, "kept")))
    stuck.go.set()
    assert outbox.close(5.0)
    assert len(stuck.sent) == 5


def test_a_run_that_has_gone_is_noticed() -> None:
    ours, theirs = _pipe()
    ours.close()
    outbox = Outbox(theirs)
    for _ in range(3):
        outbox.put(BATCH)
    assert not outbox.flush(5.0) or outbox.broken
    assert outbox.broken


def test_flushing_gives_up_after_its_time() -> None:
    stuck = Stuck()
    outbox = Outbox(stuck)  # type: ignore[arg-type]
    outbox.put(BATCH)
    assert not outbox.flush(0.05)
    stuck.go.set()
    assert outbox.flush(5.0)


def test_a_message_for_which_the_pipe_has_room_needs_no_thread() -> None:
    ours, theirs = _pipe()
    outbox = Outbox(theirs)
    with outbox._changed:  # the sending thread is kept out
        assert outbox._has_room()
        assert outbox._send_here(BATCH)
        assert ours.poll(60)
    assert ours.recv() == BATCH


def test_a_full_pipe_never_holds_up_who_puts_and_loses_no_order() -> None:
    ours, theirs = _pipe()
    outbox = Outbox(theirs, most_batches=1_000)
    events = [SensorEvent(Event(EventKind.NOTE, float(at), "x" * 2_000)) for at in range(400)]
    for event in events:
        assert outbox.put(event), "800 kB into a pipe that holds about 200 and that nobody reads"
    assert not outbox._has_room()
    assert [ours.recv() for _ in events] == events
    assert outbox.close(5.0)
