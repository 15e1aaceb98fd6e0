"""Attribute files as channels, and chips made of them.

The hot path of the sampler. What is looked at again every interval is kept in a few plain lists,
since memory that has gone cold costs more than the reads; an unchanged text costs no parsing, and
an unchanged chip gives the very list it gave before.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Reading
from harness.sensors.files import describe, open_regular, pread, visible
from harness.sensors.plausibility import (
    REPEAT,
    ZeroWatch,
    doubt,
    doubt_whole_chip,
    inputs_that_may_die_together,
)

#: No attribute's number is longer; reading more only costs time.
_NUMBER_BYTES = 48

EMPTY = "empty read: the driver gave nothing (device offline or gone)"
FAULT = "fault: the driver marks this input as faulty"


@dataclass(frozen=True)
class Gauge:
    """A whole number in a file, in a unit: value = number * multiplier / divisor.

    `fault` is the driver's own fault flag (1: do not trust); `explain` puts an errno into words.
    """

    channel: Channel
    path: Path
    multiplier: int = 1
    divisor: int = 1
    fault: Path | None = None
    explain: Callable[[OSError], str] = describe

    def reading(self, raw: bytes | OSError) -> Reading:
        """What the file's text, or the driver's refusal, means."""
        key = self.channel.key
        if isinstance(raw, OSError):
            return Reading(key, None, self.explain(raw))
        if not raw:
            return Reading(key, None, EMPTY)
        if len(raw) >= _NUMBER_BYTES:
            return Reading(key, None, "longer than any number")
        try:
            value = int(raw) * self.multiplier / self.divisor
        except (ValueError, OverflowError):
            text = visible(raw.decode("utf-8", "replace"), 40)
            return Reading(key, None, f"not a whole number: {text!r}")
        return Reading(key, value, flag=doubt(value, self.channel.unit))


class GaugeChip:
    """Gauges that are read together.

    `cache_seconds` is how long the driver repeats values without asking the hardware: a chip none
    of whose values has changed within that time gives repeats.
    """

    shares_thread = True

    def __init__(
        self,
        name: str,
        gauges: Sequence[Gauge],
        period_seconds: float = 0.0,
        cache_seconds: float = 0.0,
    ) -> None:
        self.name = name
        self.period_seconds = period_seconds
        self.channels: tuple[Channel, ...] = tuple(gauge.channel for gauge in gauges)
        self.cache_seconds = cache_seconds
        self._groups = inputs_that_may_die_together([it.unit for it in self.channels])
        self._zeros = ZeroWatch([it.unit for it in self.channels])
        self._fresh_at = 0.0
        self._use(gauges)

    def _use(self, gauges: Sequence[Gauge]) -> None:
        """Read these gauges, whose channels are the chip's, from now on."""
        self._gauges = list(gauges)
        self._descriptors = [-1] * len(gauges)
        self._raws: list[bytes | OSError | None] = [None] * len(gauges)
        #: Each gauge's reading by itself; what is given out is never changed afterwards.
        self._plain = [gauge.reading(b"") for gauge in gauges]
        self._given = list(self._plain)
        #: True while not one of the gauges gives a value.
        self.is_dumb = True
        self._repeats: list[Reading] = []
        #: Place to the descriptor of its fault flag, for the few inputs that have one.
        self._faults = {place: -1 for place, it in enumerate(gauges) if it.fault is not None}

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        changed = self._look_at_values()
        if self._faults:
            changed = self._look_at_faults() or changed
        if changed:
            readings = self._zeros.doubt(list(self._plain))
            self._given = doubt_whole_chip(readings, self._groups)
            self.is_dumb = all(reading.value is None for reading in self._given)
            self._repeats = []
            self._fresh_at = now_seconds
        elif now_seconds - self._fresh_at < self.cache_seconds:
            return self._as_repeats()
        else:
            self._fresh_at = now_seconds
        return self._given

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`."""
        for place in range(len(self._gauges)):
            self._close(place)
        for place in list(self._faults):
            self._close_fault(place)

    def _look_at_values(self) -> bool:
        """Read every file; True when a reading is another than before."""
        changed = False
        read, place = pread, 0
        for descriptor, before in zip(self._descriptors, self._raws, strict=True):
            try:
                raw: bytes | OSError = read(descriptor, _NUMBER_BYTES, 0)
            except OSError as error:
                raw = self._open_and_read(place) if descriptor < 0 else self._give_up(place, error)
            if raw != before or not raw:
                changed = self._take(place, raw) or changed
            place += 1  # noqa: SIM113 - enumerate would make a pair for each file
        return changed

    def _take(self, place: int, raw: bytes | OSError) -> bool:
        if not raw:
            self._close(place)
        self._raws[place] = raw
        before, reading = self._plain[place], self._gauges[place].reading(raw)
        self._plain[place] = reading
        return reading != before

    def _open_and_read(self, place: int) -> bytes | OSError:
        try:
            self._descriptors[place] = open_regular(self._gauges[place].path)
            return pread(self._descriptors[place], _NUMBER_BYTES, 0)
        except OSError as error:
            return self._give_up(place, error)

    def _give_up(self, place: int, error: OSError) -> OSError:
        """Close the file, so that the next read looks for it again."""
        self._close(place)
        return error

    def _close(self, place: int) -> None:
        if self._descriptors[place] >= 0:
            os.close(self._descriptors[place])
            self._descriptors[place] = -1

    def _look_at_faults(self) -> bool:
        changed = False
        for place in self._faults:
            reading = self._gauges[place].reading(self._raws[place] or b"")
            if self._is_faulty(place):
                reading = Reading(reading.channel, None, FAULT)
            changed = changed or reading != self._plain[place]
            self._plain[place] = reading
        return changed

    def _is_faulty(self, place: int) -> bool:
        path = self._gauges[place].fault
        try:
            if self._faults[place] < 0 and path is not None:
                self._faults[place] = open_regular(path)
            return pread(self._faults[place], _NUMBER_BYTES, 0).strip() == b"1"
        except OSError:
            self._close_fault(place)
            return False

    def _close_fault(self, place: int) -> None:
        if self._faults[place] >= 0:
            os.close(self._faults[place])
            self._faults[place] = -1

    def _as_repeats(self) -> list[Reading]:
        if not self._repeats:
            self._repeats = [
                it if it.flag or it.value is None else replace(it, flag=REPEAT)
                for it in self._given
            ]
        return self._repeats
