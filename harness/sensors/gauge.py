"""One attribute file as one channel, and chips made of such gauges.

The hot path of the sampler: an unchanged text gives the very reading it gave before, so that only
changes are parsed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from harness.results import Channel
from harness.sensors.contract import Reading
from harness.sensors.files import Attribute, describe, visible
from harness.sensors.plausibility import (
    REPEAT,
    doubt,
    doubt_whole_chip,
    inputs_that_may_die_together,
)

#: No attribute's number is longer; reading more only costs time.
_NUMBER_BYTES = 48

EMPTY = "empty read: the driver gave nothing (device offline or gone)"
FAULT = "fault: the driver marks this input as faulty"


class Gauge:
    """A whole number in a file, in a unit: value = number * multiplier / divisor.

    `fault` is the driver's own fault flag (1: do not trust). `cache_seconds` is how long the
    driver repeats a value without asking the hardware.
    """

    __slots__ = (
        "_attribute",
        "_cache_seconds",
        "_divisor",
        "_fault",
        "_fresh_at",
        "_multiplier",
        "_raw",
        "_reading",
        "_repeat",
        "channel",
        "explain",
    )

    def __init__(
        self,
        channel: Channel,
        attribute: Attribute,
        *,
        multiplier: int = 1,
        divisor: int = 1,
        fault: Attribute | None = None,
        cache_seconds: float = 0.0,
        explain: Callable[[OSError], str] = describe,
    ) -> None:
        self.channel = channel
        self.explain = explain
        self._attribute = attribute
        self._multiplier = multiplier
        self._divisor = divisor
        self._fault = fault
        self._cache_seconds = cache_seconds
        self._raw = b""
        self._reading = Reading(channel.key, None, EMPTY)
        self._repeat = self._reading
        self._fresh_at = 0.0

    def read(self, now_seconds: float) -> Reading:
        """The value now, or None with the reason."""
        try:
            raw = self._attribute.read(_NUMBER_BYTES)
            if self._fault is not None and self._fault.read().strip() == b"1":
                return Reading(self.channel.key, None, FAULT)
        except OSError as error:
            self._raw = b""
            return Reading(self.channel.key, None, self.explain(error))
        if raw != self._raw or not raw:
            return self._take(raw, now_seconds)
        if now_seconds - self._fresh_at < self._cache_seconds:
            return self._repeat
        self._fresh_at = now_seconds
        return self._reading

    def close(self) -> None:
        """Give the descriptors back."""
        self._attribute.close()
        if self._fault is not None:
            self._fault.close()

    def _take(self, raw: bytes, now_seconds: float) -> Reading:
        self._raw = raw
        self._fresh_at = now_seconds
        self._reading = self._parse(raw)
        self._repeat = replace(self._reading, flag=self._reading.flag or REPEAT)
        return self._reading

    def _parse(self, raw: bytes) -> Reading:
        key = self.channel.key
        if not raw:
            return Reading(key, None, EMPTY)
        if len(raw) == _NUMBER_BYTES:
            return Reading(key, None, "longer than any number")
        try:
            value = int(raw) * self._multiplier / self._divisor
        except (ValueError, OverflowError):
            text = visible(raw.decode("utf-8", "replace"), 40)
            return Reading(key, None, f"not a whole number: {text!r}")
        return Reading(key, value, flag=doubt(value, self.channel.unit))


class GaugeChip:
    """Gauges that are read together, in one thread."""

    shares_thread = True

    def __init__(self, name: str, gauges: Sequence[Gauge], period_seconds: float = 0.0) -> None:
        self.name = name
        self.period_seconds = period_seconds
        self.channels: tuple[Channel, ...] = tuple(gauge.channel for gauge in gauges)
        self._gauges = list(gauges)
        self._groups = inputs_that_may_die_together([it.unit for it in self.channels])

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        readings = [gauge.read(now_seconds) for gauge in self._gauges]
        return doubt_whole_chip(readings, self._groups) if self._groups else readings

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`."""
        for gauge in self._gauges:
            gauge.close()
