"""Geometry of the figures: axes with round ticks, bands of lowest and highest, lines. No drawing.

Everything is a pure function of numbers, so a figure is the same on every machine. Pixels count
from the upper left corner, as SVG does; y axes therefore run from a large pixel to a small one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness import units
from harness.results import Envelope

#: Steps that people read off without thinking (common practice, no source).
_ROUND_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
#: The same for times, in seconds: to the minute, the hour, the day.
_TIME_STEPS = (
    0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1_800, 3_600, 7_200, 10_800,
    21_600, 43_200, 86_400, 172_800, 604_800,
)  # fmt: skip


@dataclass(frozen=True)
class Tick:
    """One mark of an axis: where it is in pixels and what stands beside it."""

    position: float
    label: str


@dataclass(frozen=True)
class Axis:
    """A linear axis: values from `low` to `high` lie between two pixels."""

    low: float
    high: float
    start: float
    end: float
    ticks: tuple[Tick, ...] = ()

    def place(self, value: float) -> float:
        """The pixel of `value`; values beyond the axis land on its end."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(max(share, 0.0), 1.0) * (self.end - self.start)

    def holds(self, value: float) -> bool:
        """Whether `value` lies on the axis."""
        return self.low <= value <= self.high


@dataclass(frozen=True)
class Bin:
    """Lowest, mean and highest value of what fell between two pixels."""

    left: float
    right: float
    minimum: float
    mean: float
    maximum: float


#: Pixels of text-free room that a telephone's screen leaves beside the page's own margins.
NARROW_WIDTH = 384.0


def px(value: float) -> str:
    """A pixel for an attribute: a tenth is finer than the eye, and no `-0`."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def spread(low: float, high: float, *, share: float = 0.06) -> tuple[float, float]:
    """`low` to `high` with some air at both ends; a single value gets air of its own size."""
    air = (high - low) * share
    # Doubles closer than this cannot be told apart on an axis.
    if high - low <= 1e-9 * max(abs(low), abs(high)):
        air = abs(low) * share or 1.0
    # What is never negative (a count, a power) gets no axis that says it could be.
    bottom = max(low - air, 0.0) if low >= 0.0 else low - air
    return bottom, high + air


def round_ticks(low: float, high: float, most: int) -> tuple[float, ...]:
    """At most `most` round values within `low` to `high`, evenly spaced; needs low < high."""
    rough = (high - low) / max(most, 1)
    magnitude = 10.0 ** math.floor(math.log10(rough))
    step = next((s * magnitude for s in _ROUND_STEPS if s * magnitude >= rough), rough)
    return _multiples(low, high, step)


def time_ticks(low: float, high: float, most: int) -> tuple[float, ...]:
    """The same for seconds, at times that are round on a clock."""
    rough = (high - low) / max(most, 1)
    step = next((float(s) for s in _TIME_STEPS if s >= rough), None)
    if step is None:
        step = _TIME_STEPS[-1] * math.ceil(rough / _TIME_STEPS[-1])
    return _multiples(low, high, step)


def tick_places(values: Sequence[float]) -> int:
    """The fewest decimals that write every one of `values` exactly (six at most)."""
    for places in range(7):
        if all(math.isclose(value, round(value, places), abs_tol=1e-9) for value in values):
            return places
    return 6


def value_axis(
    low: float, high: float, unit: str, pixels: tuple[float, float], *, most: int = 4
) -> tuple[Axis, str]:
    """An axis for values in `unit` with bare numbers at its ticks, and the unit's symbol."""
    scale = units.scale_for(max(abs(low), abs(high)), unit)
    values = round_ticks(float(scale.apply(low)), float(scale.apply(high)), most)
    places = tick_places(values)
    bare = Axis(low, high, *pixels)
    ticks = tuple(
        Tick(bare.place(value * scale.factor), units.fixed(value, places)) for value in values
    )
    return Axis(low, high, *pixels, ticks), scale.symbol


def time_axis(low: float, high: float, pixels: tuple[float, float], *, most: int = 8) -> Axis:
    """An axis for seconds since the start, ticks labelled ``0:05`` (minutes and seconds)."""
    values = time_ticks(low, high, most)
    step = values[1] - values[0] if len(values) > 1 else high - low
    bare = Axis(low, high, *pixels)
    ticks = tuple(Tick(bare.place(value), clock_label(value, step)) for value in values)
    return Axis(low, high, *pixels, ticks)


def change_axis(reach_percent: float, pixels: tuple[float, float], *, most: int = 8) -> Axis:
    """An axis of changes in percent, as far to the left of none as to the right."""
    values = round_ticks(-reach_percent, reach_percent, most)
    places = tick_places(values)
    bare = Axis(-reach_percent, reach_percent, *pixels)
    ticks = tuple(
        Tick(bare.place(value), units.change(1 + value / 100, places=places)) for value in values
    )
    return Axis(-reach_percent, reach_percent, *pixels, ticks)


def clock_label(seconds: float, step: float) -> str:
    """A tick's label, no finer than the step between ticks needs."""
    if step < 1:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    hours, minutes, rest = whole // 3_600, whole // 60 % 60, whole % 60
    if step >= 60:
        return f"{hours} h {minutes:02d}" if hours or step >= 3_600 else f"{minutes} min"
    return f"{whole // 60}:{rest:02d}"


def binned(envelopes: Iterable[Envelope], axis: Axis, count: int) -> tuple[Bin, ...]:
    """Envelopes of one or many channels, gathered in `count` equal stretches of `axis`.

    A stretch keeps its lowest and highest value, so no spike is lost however long the run; its
    mean is weighted by samples. Stretches without a sample are left out and stay visible as gaps.
    """
    groups: dict[int, list[Envelope]] = {}
    for envelope in envelopes:
        share = (envelope.at_seconds - axis.low) / (axis.high - axis.low)
        groups.setdefault(min(max(int(share * count), 0), count - 1), []).append(envelope)
    width = (axis.end - axis.start) / count
    return tuple(_bin(axis.start + index * width, width, groups[index]) for index in sorted(groups))


def stretches(bins: Sequence[Bin], *, gap: float) -> tuple[tuple[Bin, ...], ...]:
    """`bins` cut wherever more than `gap` pixels between two of them hold nothing."""
    parts: list[list[Bin]] = []
    for item in bins:
        if parts and item.left - parts[-1][-1].right <= gap:
            parts[-1].append(item)
        else:
            parts.append([item])
    return tuple(map(tuple, parts))


def band_path(bins: Sequence[Bin], axis: Axis) -> str:
    """A closed outline: along the highest values, back along the lowest. For `path`'s `d`."""
    top = [point for item in bins for point in _edges(item, axis.place(item.maximum))]
    bottom = [point for item in bins for point in _edges(item, axis.place(item.minimum))]
    return _path([*top, *reversed(bottom)]) + "Z"


def mean_path(bins: Sequence[Bin], axis: Axis) -> str:
    """A line through the means, from the first bin's left edge to the last one's right."""
    middle = [((item.left + item.right) / 2, axis.place(item.mean)) for item in bins]
    first, last = middle[0], middle[-1]
    return _path([(bins[0].left, first[1]), *middle, (bins[-1].right, last[1])])


def _bin(left: float, width: float, envelopes: Sequence[Envelope]) -> Bin:
    samples = sum(item.samples for item in envelopes)
    weighted = math.fsum(item.mean * item.samples for item in envelopes)
    mean = weighted / samples if samples else envelopes[0].mean
    return Bin(
        left,
        left + width,
        min(item.minimum for item in envelopes),
        mean,
        max(item.maximum for item in envelopes),
    )


def _edges(item: Bin, height: float) -> tuple[tuple[float, float], tuple[float, float]]:
    return (item.left, height), (item.right, height)


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{px(x)},{px(y)}" for x, y in points)


def _multiples(low: float, high: float, step: float) -> tuple[float, ...]:
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(index * step for index in range(first, last + 1))
