"""Waits without a deadline get one. Oracle: an end of file, which only ending the peer brings."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from harness.lanes import patience as patience_module
from harness.lanes.patience import Limit, Overdue, Patience


@pytest.fixture
def patience(monkeypatch: pytest.MonkeyPatch) -> Iterator[Patience]:
    """One that looks often."""
    monkeypatch.setattr(patience_module, "LOOK_SECONDS", 0.01)
    made = Patience()
    yield made
    made.close()
    assert not made._thread.is_alive()


class Peer:
    """The far end of a pipe; ending it ends whoever reads from the near end."""

    def __init__(self) -> None:
        self.near, self._far = os.pipe()
        self.ended = 0

    def end(self) -> None:
        self.ended += 1
        os.close(self._far)

    def read(self) -> None:
        if not os.read(self.near, 1):
            raise EOFError

    def answer(self) -> None:
        os.write(self._far, b"x")

    @contextmanager
    def answering_late(self) -> Iterator[None]:
        """Lets a wait that lost its deadline end nevertheless, without an Overdue."""
        late = threading.Timer(20.0, self.answer)
        late.start()
        yield
        late.cancel()


def test_whoever_does_not_answer_is_ended_once_and_the_wait_says_after_what(
    patience: Patience,
) -> None:
    peer = Peer()
    with (
        pytest.raises(Overdue, match=r"no sign of life for 0\.05 s"),
        patience.limited(Limit(0.05, 60.0), peer.end),
    ):
        peer.read()
    assert peer.ended == 1
    os.close(peer.near)


def test_whoever_works_is_waited_for_to_the_last_limit(patience: Patience) -> None:
    peer = Peer()
    steps = iter(range(1_000_000))
    with (
        pytest.raises(Overdue, match=r"no answer within 0\.3 s"),
        patience.limited(Limit(0.05, 0.3), peer.end, lambda: float(next(steps))),
    ):
        peer.read()
    assert next(steps) >= 29  # it was looked at over the whole time
    os.close(peer.near)


def test_an_answer_in_time_ends_nobody(patience: Patience) -> None:
    peer = Peer()
    peer.answer()
    with patience.limited(Limit(0.5, 0.5), peer.end):
        peer.read()
    for _ in range(2):  # a wait that is over is not looked at any more
        with patience.limited(Limit(60.0, 60.0), peer.end):
            threading.Event().wait(0.05)
    assert peer.ended == 0
    peer.end()
    os.close(peer.near)


def test_what_the_wait_itself_raises_comes_through(patience: Patience) -> None:
    peer = Peer()
    with pytest.raises(ValueError, match="its own"), patience.limited(Limit(9.0, 9.0), peer.end):
        raise ValueError("its own")
    peer.end()
    os.close(peer.near)


def test_work_that_cannot_be_looked_at_is_no_sign_of_life_and_the_next_wait_has_its_deadline(
    patience: Patience,
) -> None:
    def trouble() -> float:
        raise OSError(24, "Too many open files")

    for _ in range(2):
        peer = Peer()
        with (
            peer.answering_late(),
            pytest.raises(Overdue, match=r"no sign of life for 0\.05 s"),
            patience.limited(Limit(0.05, 60.0), peer.end, trouble),
        ):
            peer.read()
        os.close(peer.near)
    assert patience._thread.is_alive()


def test_looks_that_fail_in_between_are_no_signs_of_life(patience: Patience) -> None:
    looks = iter(range(1_000_000))

    def troubled() -> float:
        if next(looks) % 2:
            raise OSError(24, "Too many open files")
        return 5.0

    peer = Peer()
    with (
        peer.answering_late(),
        pytest.raises(Overdue, match="no sign of life"),
        patience.limited(Limit(0.05, 5.0), peer.end, troubled),
    ):
        peer.read()
    os.close(peer.near)


def test_an_end_that_fails_is_tried_again(patience: Patience) -> None:
    peer = Peer()
    tries: list[None] = []

    def end() -> None:
        tries.append(None)
        if len(tries) < 3:
            raise OSError(24, "Too many open files")
        peer.end()

    with (
        peer.answering_late(),
        pytest.raises(Overdue, match="no sign of life"),
        patience.limited(Limit(0.05, 60.0), end),
    ):
        peer.read()
    assert (len(tries), peer.ended) == (3, 1)
    os.close(peer.near)
