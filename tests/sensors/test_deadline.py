"""Calls that may hang."""

from __future__ import annotations

import threading

from harness.sensors.deadline import call_all


def test_a_hung_call_delays_no_other_and_errors_are_carried() -> None:
    release = threading.Event()

    def hang() -> str:
        release.wait(30)
        return "too late"

    def fail() -> str:
        raise OSError(5, "Input/output error")

    try:
        answers = call_all([hang, lambda: "ready", fail], seconds=0.2)
    finally:
        release.set()
    assert answers[0].late
    assert answers[0].value is None
    assert answers[1].value == "ready"
    assert isinstance(answers[2].error, OSError)
    assert not answers[2].late


def test_no_call_gives_no_answer() -> None:
    assert call_all([], seconds=1.0) == []
