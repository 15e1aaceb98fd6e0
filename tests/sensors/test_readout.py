"""One look at every chip."""

from __future__ import annotations

import threading

from harness.results import Channel
from harness.sensors.readout import read_once
from tests.sensors.fakes import FakeChip


def test_every_chip_is_read_twice_and_closed_and_the_second_reading_counts() -> None:
    chip = FakeChip(lambda now: float(len(chip.reads)))
    (out,) = read_once([chip])
    assert out.readings[0].value == 2.0
    assert out.seconds is not None
    assert chip.closed


def test_a_hung_chip_is_said_to_be_and_holds_up_no_other() -> None:
    release = threading.Event()

    def hang(now: float) -> float:
        release.wait(30)
        return 1.0

    hung = FakeChip(hang)
    quick = FakeChip(lambda now: 2.0, channels=(Channel("q", "q", "°C", "test"),))
    try:
        slow, fast = read_once([hung, quick], deadline_seconds=0.6)
    finally:
        release.set()
    assert slow.readings[0].reason == "no answer from the driver within 0.6 s"
    assert slow.seconds is None
    assert fast.readings[0].value == 2.0
