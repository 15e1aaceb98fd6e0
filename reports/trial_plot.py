"""Where every trial's mark stands: one overview of all workloads, one figure for each of them.

The overview puts all workloads on one axis, the difference from each one's mean in percent, first
trial on top: spread, drift and strays are seen at once, and no unit has to be shared. A mark's
shape tells its state; what lies far outside is drawn at the edge with an arrow, never dropped.
Both are drawn twice, for a sheet and for a telephone's screen, where words stand over the marks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from harness import units
from harness.results import KEPT_STATES, TrialPoint, WorkloadResult
from reports.figures import (
    NARROW_WIDTH,
    Axis,
    Tick,
    change_axis,
    round_ticks,
    spread,
    value_axis,
)
from reports.text import one_line, shortened
from reports.wording import unit_text, value_text, workload_mean

WIDTH = 1040.0
#: States in the order of the legend, with the words that explain them.
STATES = (
    ("kept", "kept"),
    ("flagged", "stands out, no cause known: kept"),
    ("rejected", "rejected for a recorded cause"),
    ("warm-up", "warm-up, left out"),
    ("invalid", "not valid: a failure, no value"),
)
_TOP, _BOTTOM, _LEGEND_LINE = 26.0, 44.0, 18.0
#: Marks of one row never stand closer than this, so that hundreds of trials stay apart.
_ROW_SMALLEST, _ROW_LARGEST, _ROW_CROWDED, _MARK_STEP = 40.0, 80.0, 120.0, 4.0
#: More marks than this in a row are crowded and drawn smaller.
_MANY_MARKS, _SMALL_MARK = 80, 1.9
#: Strays within this many half-ranges still get room; beyond, they go to the edge.
_ROOM_FOR_STRAYS = 1.6
#: From the edge to the end of a note there, and a note's height.
_NOTE_REACH, _NOTE_HEIGHT = 66.0, 12.0
_SMALLEST_RANGE_PERCENT = 0.05


@dataclass(frozen=True)
class _Sheet:
    """Where the overview's marks may stand, and how much of a row its words take above them."""

    width: float
    start: float
    end: float
    head: float
    most_ticks: int
    name_characters: int


_WIDE = _Sheet(WIDTH, 210.0, WIDTH - 200.0, 0.0, 8, 26)
_NARROW = _Sheet(NARROW_WIDTH, 26.0, NARROW_WIDTH - 26.0, 38.0, 4, 32)
#: The same of the trials' axis, and the room that one of its numbers takes.
_WIDE_ACROSS, _NARROW_ACROSS = (86.0, WIDTH - 24.0), (64.0, NARROW_WIDTH - 8.0)
_TRIAL_TICK_STEP = 75.0


@dataclass(frozen=True)
class Mark:
    """One trial: its place, its shape, its words; `edge` is -1 or 1 where it is off the scale."""

    x: float
    y: float
    state: str
    title: str
    edge: int = 0
    #: The value of a mark off the scale, where there is room to write it.
    note: str = ""
    #: Half of the mark's width; smaller where hundreds stand in one row.
    size: float = 3.0


@dataclass(frozen=True)
class Row:
    """One workload in the overview."""

    label: str
    name: str
    top: float
    #: Where the marks begin: below the words on a narrow screen, else at the top.
    marks_top: float
    bottom: float
    marks: tuple[Mark, ...]
    #: Pixels from and to which the mean's interval reaches, or None.
    interval: tuple[float, float] | None
    value: str
    note: str

    @property
    def middle(self) -> float:
        """The row's vertical middle."""
        return (self.top + self.bottom) / 2


@dataclass(frozen=True)
class Overview:
    """All workloads' trials on one axis of percent."""

    height: float
    axis: Axis
    rows: tuple[Row, ...]
    states: tuple[tuple[str, str], ...]
    width: float
    is_narrow: bool


@dataclass(frozen=True)
class OrderPlot:
    """One workload's trials in the order they were run, in the workload's unit."""

    height: float
    across: Axis
    up: Axis
    symbol: str
    marks: tuple[Mark, ...]
    band: tuple[float, float] | None
    mean: float | None
    states: tuple[tuple[str, str], ...]
    width: float
    is_narrow: bool


def overview(workloads: Sequence[WorkloadResult], *, narrow: bool = False) -> Overview | None:
    """The overview, or None where no workload has a trial to show."""
    sheet = _NARROW if narrow else _WIDE
    drawable = [item for item in workloads if item.mean and _finite(item.points)]
    if not drawable:
        return None
    reach = _reach_percent(drawable)
    axis = change_axis(reach, (sheet.start, sheet.end), most=sheet.most_ticks)
    rows, top = [], _TOP
    for item in drawable:
        row = _row(item, axis, top, sheet)
        rows.append(row)
        top = row.bottom
    states = _states_of(drawable)
    legend = _legend_height(len(states), narrow)
    return Overview(top + legend, axis, tuple(rows), states, sheet.width, narrow)


def _legend_height(states: int, narrow: bool) -> float:
    """With the ticks' line; a narrow screen has one line for each state."""
    return _BOTTOM + (_LEGEND_LINE * (states - 1) if narrow else 0.0)


def order_plot(item: WorkloadResult, *, narrow: bool = False) -> OrderPlot | None:
    """The figure of one workload, or None where it has no trial to show."""
    points = _finite(item.points)
    if not points:
        return None
    low, high = _value_range(item, points)
    up, symbol = value_axis(low, high, unit_text(item.unit), (156.0, 24.0), most=5)
    width = NARROW_WIDTH if narrow else WIDTH
    across = _trial_axis(points, _NARROW_ACROSS if narrow else _WIDE_ACROSS)
    marks = tuple(
        _mark(item, point, across.place(point.round), up.place(point.value), _edge(up, point.value))
        for point in points
    )
    band, mean = _interval(item, up), None if item.mean is None else up.place(item.mean)
    states = _states_of([item])
    height = 160.0 + _legend_height(len(states), narrow)
    return OrderPlot(height, across, up, symbol, marks, band, mean, states, width, narrow)


def _finite(points: Iterable[TrialPoint]) -> list[TrialPoint]:
    return [point for point in points if math.isfinite(point.value)]


def _percent(item: WorkloadResult, value: float) -> float:
    return 100.0 * (value / item.mean - 1.0) if item.mean else 0.0


def _reach_percent(workloads: Sequence[WorkloadResult]) -> float:
    judged: list[float] = [_SMALLEST_RANGE_PERCENT]
    others: list[float] = []
    for item in workloads:
        ends = [end for end in (item.low, item.high) if end is not None]
        judged += [abs(_percent(item, end)) for end in ends]
        for point in _finite(item.points):
            kind = judged if point.state in KEPT_STATES else others
            kind.append(abs(_percent(item, point.value)))
    reach = max(judged)
    near = [value for value in others if value <= reach * _ROOM_FOR_STRAYS]
    return float(max([reach, *near])) * 1.08


def _row(item: WorkloadResult, axis: Axis, top: float, sheet: _Sheet) -> Row:
    points, marks_top = _finite(item.points), top + sheet.head
    largest = _ROW_CROWDED if len(points) > _MANY_MARKS else _ROW_LARGEST
    height = min(max(_ROW_SMALLEST, _MARK_STEP * len(points) + 16), largest)
    step = (height - 16) / max(len(points), 1)
    marks = []
    for index, point in enumerate(points):
        percent = _percent(item, point.value)
        y = marks_top + 8 + step * (index + 0.5)
        marks.append(_mark(item, point, axis.place(percent), y, _edge(axis, percent)))
    marks = _noted(marks, [_percent(item, point.value) for point in points])
    if len(marks) > _MANY_MARKS:
        marks = [replace(mark, size=_SMALL_MARK) for mark in marks]
    note = "" if item.cv_percent is None else f"spread (CV) {units.percent(item.cv_percent)}"
    return Row(
        label=shortened(item.name, sheet.name_characters),
        name=one_line(item.name),
        top=top,
        marks_top=marks_top,
        bottom=marks_top + height,
        marks=_drawing_order(marks),
        interval=_percent_interval(item, axis),
        value=workload_mean(item),
        note=note,
    )


def _drawing_order(marks: Iterable[Mark]) -> tuple[Mark, ...]:
    """The common ones first, so that they hide none of the others."""
    return tuple(sorted(marks, key=lambda mark: mark.state != "kept"))


def _noted(marks: Sequence[Mark], percents: Sequence[float]) -> list[Mark]:
    """Marks off the scale with their values, as far as no text runs into another or a mark."""
    noted: list[Mark] = []
    free_from = {-1: -math.inf, 1: -math.inf}
    for mark, percent in zip(marks, percents, strict=True):
        has_room = mark.edge != 0 and mark.y >= free_from[mark.edge] and _is_clear(mark, marks)
        text = units.change(1 + percent / 100, places=1) if has_room else ""
        noted.append(replace(mark, note=text))
        if has_room:
            free_from[mark.edge] = mark.y + _NOTE_HEIGHT
    return noted


def _is_clear(noted: Mark, marks: Iterable[Mark]) -> bool:
    """Whether no mark on the scale stands where this one's note would."""
    return not any(
        abs(mark.x - noted.x) < _NOTE_REACH and abs(mark.y - noted.y) < _NOTE_HEIGHT
        for mark in marks
        if not mark.edge
    )


def _percent_interval(item: WorkloadResult, axis: Axis) -> tuple[float, float] | None:
    if item.low is None or item.high is None:
        return None
    ends = sorted(axis.place(_percent(item, end)) for end in (item.low, item.high))
    return ends[0], ends[1]


def _interval(item: WorkloadResult, axis: Axis) -> tuple[float, float] | None:
    if item.low is None or item.high is None:
        return None
    return axis.place(item.high), axis.place(item.low)


def _mark(item: WorkloadResult, point: TrialPoint, x: float, y: float, edge: int) -> Mark:
    cause = f" ({', '.join(point.causes)})" if point.causes else ""
    title = (
        f"trial {point.round} (number {point.trial} in the run): "
        f"{value_text(point.value, item.unit)}, {point.state}{cause}"
    )
    return Mark(x, y, point.state, one_line(title, limit=300), edge)


def _edge(axis: Axis, value: float) -> int:
    if axis.holds(value):
        return 0
    return -1 if value < axis.low else 1


def _value_range(item: WorkloadResult, points: Sequence[TrialPoint]) -> tuple[float, float]:
    judged = [point.value for point in points if point.state in KEPT_STATES]
    judged += [end for end in (item.low, item.high) if end is not None]
    low, high = _limits(judged or [point.value for point in points])
    middle, half = (low + high) / 2, (high - low) / 2 * _ROOM_FOR_STRAYS
    near = [point.value for point in points if abs(point.value - middle) <= half]
    return spread(*_limits([low, high, *near]))


def _limits(values: Sequence[float]) -> tuple[float, float]:
    return min(values), max(values)


def _trial_axis(points: Sequence[TrialPoint], pixels: tuple[float, float]) -> Axis:
    first, last = _limits([float(point.round) for point in points])
    low, high = first - 0.5, last + 0.5
    bare = Axis(low, high, *pixels)
    most = int((pixels[1] - pixels[0]) / _TRIAL_TICK_STEP)
    whole = {float(round(value)) for value in round_ticks(low, high, most)}
    ticks = tuple(
        Tick(bare.place(value), units.count(value))
        for value in sorted(whole)
        if first <= value <= last
    )
    return Axis(low, high, *pixels, ticks)


def _states_of(workloads: Iterable[WorkloadResult]) -> tuple[tuple[str, str], ...]:
    present = {point.state for item in workloads for point in item.points}
    return tuple(pair for pair in STATES if pair[0] in present)
