"""Calls that may hang in a driver, each in a thread of its own with a common deadline."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from harness.clock import NS_PER_SECOND, SYSTEM

T = TypeVar("T")


@dataclass(frozen=True)
class Answer(Generic[T]):
    """What a call gave: its value, the error it raised, or neither when it did not return."""

    value: T | None = None
    error: Exception | None = None
    late: bool = False


def call_all(calls: Sequence[Callable[[], T]], seconds: float) -> list[Answer[T]]:
    """Run `calls` side by side; whatever has not returned after `seconds` is left behind.

    A call that hangs in the kernel cannot be ended; its thread is a daemon and dies with the
    process. At most one thread per call is made.
    """
    answers: list[Answer[T]] = [Answer(late=True) for _ in calls]
    threads = [
        threading.Thread(target=_answer, args=(call, answers, index), daemon=True)
        for index, call in enumerate(calls)
    ]
    end_ns = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(max((end_ns - SYSTEM.monotonic_ns()) / NS_PER_SECOND, 0.0))
    return list(answers)


def _answer(call: Callable[[], T], answers: list[Answer[T]], index: int) -> None:
    try:
        answers[index] = Answer(call())
    except Exception as error:  # noqa: BLE001 - carried to the caller, who decides
        answers[index] = Answer(error=error)
