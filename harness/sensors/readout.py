"""One look at every chip, for people: each in its own thread, none waits for a hung one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from harness.clock import NS_PER_SECOND, SYSTEM, Clock
from harness.sensors.contract import Chip, Reading
from harness.sensors.deadline import Answer, call_all

#: Rates and power need two readings; this lies between them.
_PAUSE_SECONDS = 0.3
_DEADLINE_SECONDS = 3.0


@dataclass(frozen=True)
class ChipReadout:
    """A chip's readings and how long they took; None where it did not answer."""

    chip: str
    readings: tuple[Reading, ...]
    seconds: float | None


def read_once(
    chips: Sequence[Chip], deadline_seconds: float = _DEADLINE_SECONDS, clock: Clock = SYSTEM
) -> tuple[ChipReadout, ...]:
    """Read all chips side by side, twice, and close them; the second reading is shown."""
    answers = call_all([partial(_read_twice, chip, clock) for chip in chips], deadline_seconds)
    return tuple(
        _settle(chip, answer, deadline_seconds) for chip, answer in zip(chips, answers, strict=True)
    )


def _read_twice(chip: Chip, clock: Clock) -> ChipReadout:
    chip.read(clock.monotonic_ns() / NS_PER_SECOND)
    clock.sleep(_PAUSE_SECONDS)
    began_ns = clock.monotonic_ns()
    readings = tuple(chip.read(began_ns / NS_PER_SECOND))
    seconds = (clock.monotonic_ns() - began_ns) / NS_PER_SECOND
    chip.close()
    return ChipReadout(chip.name, readings, seconds)


def _settle(chip: Chip, answer: Answer[ChipReadout], deadline_seconds: float) -> ChipReadout:
    if answer.value is not None:
        return answer.value
    if answer.error is not None:
        raise answer.error
    why = f"no answer from the driver within {deadline_seconds:g} s"
    return ChipReadout(
        chip.name, tuple(Reading(channel.key, None, why) for channel in chip.channels), None
    )
