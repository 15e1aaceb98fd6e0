"""Where every trial's mark stands: one overview of all workloads, one figure for each of them.

The overview puts all workloads on one axis, the difference from each one's mean in percent, first
trial on top: spread, drift and strays are seen at once, and no unit has to be shared. A mark's
shape tells its state; what lies far outside is drawn at the edge with an arrow, never dropped.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from harness import units
from harness.results import TrialPoint, WorkloadResult
from reports.figures import Axis, Tick, change_axis, round_ticks, spread, value_axis
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
_JUDGED = ("kept", "flagged")
_LABEL_WIDTH, _VALUE_WIDTH, _TOP, _BOTTOM = 210.0, 200.0, 26.0, 44.0
#: Marks of one row never stand closer than this, so that hundreds of trials stay apart.
_ROW_SMALLEST, _ROW_LARGEST, _ROW_CROWDED, _MARK_STEP = 40.0, 80.0, 120.0, 4.0
#: More marks than this in a row are crowded and drawn smaller.
_MANY_MARKS, _SMALL_MARK = 80, 1.9
#: Strays within this many half-ranges still get room; beyond, they go to the edge.
_ROOM_FOR_STRAYS = 1.6
_NAME_CHARACTERS = 26
_NOTE_HEIGHT = 12.0
_SMALLEST_RANGE_PERCENT = 0.05


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
    width: float = WIDTH


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
    width: float = WIDTH


def overview(workloads: Sequence[WorkloadResult]) -> Overview | None:
    """The overview, or None where no workload has a trial to show."""
    drawable = [item for item in workloads if item.mean and _finite(item.points)]
    if not drawable:
        return None
    reach = _reach_percent(drawable)
    axis = change_axis(reach, (_LABEL_WIDTH, WIDTH - _VALUE_WIDTH))
    rows, top = [], _TOP
    for item in drawable:
        row = _row(item, axis, top)
        rows.append(row)
        top = row.bottom
    return Overview(top + _BOTTOM, axis, tuple(rows), _states_of(drawable))


def order_plot(item: WorkloadResult) -> OrderPlot | None:
    """The figure of one workload, or None where it has no trial to show."""
    points = _finite(item.points)
    if not points:
        return None
    low, high = _value_range(item, points)
    up, symbol = value_axis(low, high, unit_text(item.unit), (156.0, 24.0), most=5)
    across = _trial_axis(points)
    marks = tuple(
        _mark(item, point, across.place(point.round), up.place(point.value), _edge(up, point.value))
        for point in points
    )
    band, mean = _interval(item, up), None if item.mean is None else up.place(item.mean)
    return OrderPlot(204.0, across, up, symbol, marks, band, mean, _states_of([item]))


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
            kind = judged if point.state in _JUDGED else others
            kind.append(abs(_percent(item, point.value)))
    reach = max(judged)
    near = [value for value in others if value <= reach * _ROOM_FOR_STRAYS]
    return float(max([reach, *near])) * 1.08


def _row(item: WorkloadResult, axis: Axis, top: float) -> Row:
    points = _finite(item.points)
    largest = _ROW_CROWDED if len(points) > _MANY_MARKS else _ROW_LARGEST
    height = min(max(_ROW_SMALLEST, _MARK_STEP * len(points) + 16), largest)
    step = (height - 16) / max(len(points), 1)
    marks = []
    for index, point in enumerate(points):
        percent = _percent(item, point.value)
        y = top + 8 + step * (index + 0.5)
        marks.append(_mark(item, point, axis.place(percent), y, _edge(axis, percent)))
    marks = _noted(marks, [_percent(item, point.value) for point in points])
    if len(marks) > _MANY_MARKS:
        marks = [replace(mark, size=_SMALL_MARK) for mark in marks]
    note = "" if item.cv_percent is None else f"spread (CV) {units.percent(item.cv_percent)}"
    return Row(
        label=shortened(item.name, _NAME_CHARACTERS),
        name=one_line(item.name),
        top=top,
        bottom=top + height,
        marks=_drawing_order(marks),
        interval=_percent_interval(item, axis),
        value=workload_mean(item),
        note=note,
    )


def _drawing_order(marks: Iterable[Mark]) -> tuple[Mark, ...]:
    """The common ones first, so that they hide none of the others."""
    return tuple(sorted(marks, key=lambda mark: mark.state != "kept"))


def _noted(marks: Sequence[Mark], percents: Sequence[float]) -> list[Mark]:
    """Marks off the scale with their values, as far as the texts do not run into each other."""
    noted: list[Mark] = []
    free_from = {-1: -math.inf, 1: -math.inf}
    for mark, percent in zip(marks, percents, strict=True):
        has_room = mark.edge != 0 and mark.y >= free_from[mark.edge]
        text = units.change(1 + percent / 100, places=1) if has_room else ""
        noted.append(replace(mark, note=text))
        if has_room:
            free_from[mark.edge] = mark.y + _NOTE_HEIGHT
    return noted


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
    judged = [point.value for point in points if point.state in _JUDGED]
    judged += [end for end in (item.low, item.high) if end is not None]
    low, high = _limits(judged or [point.value for point in points])
    middle, half = (low + high) / 2, (high - low) / 2 * _ROOM_FOR_STRAYS
    near = [point.value for point in points if abs(point.value - middle) <= half]
    return spread(*_limits([low, high, *near]))


def _limits(values: Sequence[float]) -> tuple[float, float]:
    return min(values), max(values)


def _trial_axis(points: Sequence[TrialPoint]) -> Axis:
    first, last = _limits([float(point.round) for point in points])
    pixels = (86.0, WIDTH - 24.0)
    low, high = first - 0.5, last + 0.5
    bare = Axis(low, high, *pixels)
    whole = {float(round(value)) for value in round_ticks(low, high, 12)}
    ticks = tuple(
        Tick(bare.place(value), units.count(value))
        for value in sorted(whole)
        if first <= value <= last
    )
    return Axis(low, high, *pixels, ticks)


def _states_of(workloads: Iterable[WorkloadResult]) -> tuple[tuple[str, str], ...]:
    present = {point.state for item in workloads for point in item.points}
    return tuple(pair for pair in STATES if pair[0] in present)
