"""When a lane works: always, in a square wave shared by all lanes, or in short random bursts.

A gate is data and a pure function of time, so all lanes compute the same edges from the same
start without a word to each other: absolute deadlines kept the skew between two lanes at a few
microseconds where messages took milliseconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count, islice

from harness.clock import NS_PER_SECOND


@dataclass(frozen=True)
class Window:
    """One stretch of work, in nanoseconds from the gate's start: [on, off)."""

    on_ns: int
    off_ns: int


@dataclass(frozen=True)
class SquareWave:
    """Idle and full load in step: `on_ns` of work at the start of every `period_ns`."""

    period_ns: int
    on_ns: int

    @classmethod
    def of(cls, frequency_hz: float, duty_percent: float) -> SquareWave:
        """From the frequency in hertz and the share of each period under load in percent."""
        period = round(NS_PER_SECOND / frequency_hz)
        return cls(period, round(period * duty_percent / 100))

    @property
    def window_ns(self) -> int:
        """Length of one window."""
        return self.on_ns

    def window(self, number: int) -> Window:
        """Window `number`, counted from 0."""
        start = number * self.period_ns
        return Window(start, start + self.on_ns)

    def windows(self) -> Iterator[Window]:
        """All windows in their order, without end."""
        return map(self.window, count())


@dataclass(frozen=True)
class Bursts:
    """Long idle broken by short bursts, `idle_ns` on average, drawn from a seed.

    The idle times are exponential by inversion, with the uniform numbers taken from SplitMix64,
    so that the schedule is the same on every machine. Trimmed voltages commonly fail in exactly
    these steps out of deep idle (common practice, no source).
    """

    seed: int
    idle_ns: int
    burst_ns: int

    @property
    def window_ns(self) -> int:
        """Length of one window."""
        return self.burst_ns

    def window(self, number: int) -> Window:
        """Window `number`, counted from 0. Linear in `number`: lanes walk through `windows`."""
        return next(islice(self.windows(), number, None))

    def windows(self) -> Iterator[Window]:
        """All windows in their order, without end; each takes the same short time to draw."""
        on_ns = 0
        for step in count():
            on_ns += self._idle(step)
            yield Window(on_ns, on_ns + self.burst_ns)
            on_ns += self.burst_ns

    def _idle(self, step: int) -> int:
        import math

        uniform = (_splitmix(self.seed + step) >> 11) / float(1 << 53)
        return round(-math.log1p(-uniform) * self.idle_ns)


Gate = SquareWave | Bursts

_WORD = 0xFFFFFFFFFFFFFFFF


def _splitmix(state: int) -> int:
    """One output of SplitMix64 (Steele, Lea and Flood 2014) at counter `state`."""
    word = (state * 0x9E3779B97F4A7C15 + 0x9E3779B97F4A7C15) & _WORD
    word = ((word ^ (word >> 30)) * 0xBF58476D1CE4E5B9) & _WORD
    word = ((word ^ (word >> 27)) * 0x94D049BB133111EB) & _WORD
    return word ^ (word >> 31)
