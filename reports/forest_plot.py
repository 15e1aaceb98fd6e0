"""The figure of a comparison: each workload's ratio and interval against the margin."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from harness import units
from harness.compared import Comparison
from reports.figures import NARROW_WIDTH, Axis, change_axis
from reports.text import one_line, shortened

WIDTH = 1040.0
_TOP, _BOTTOM = 40.0, 44.0
#: One far-off estimate must not squeeze the others into a line: what lies beyond this many times
#: the median reach (or margins, if that is more) stands at the edge with an arrow.
_MEDIAN_REACHES, _MARGINS = 4.0, 5.0
_SMALLEST_REACH_PERCENT = 0.1


@dataclass(frozen=True)
class _Sheet:
    """Where the estimates may stand; on a narrow screen a row's words stand over its estimate."""

    width: float
    start: float
    end: float
    row: float
    #: From a row's top to its estimate.
    drop: float
    most_ticks: int
    name_characters: int


_WIDE = _Sheet(WIDTH, 210.0, WIDTH - 250.0, 40.0, 20.0, 8, 26)
_NARROW = _Sheet(NARROW_WIDTH, 26.0, NARROW_WIDTH - 26.0, 66.0, 51.0, 4, 32)


@dataclass(frozen=True)
class ForestRow:
    """One estimate; `line` and `value_x` are None where there is no interval or no ratio."""

    label: str
    name: str
    top: float
    y: float
    value_x: float | None
    line: tuple[float, float] | None
    #: The limits the decision used, when they are wider than the interval.
    decision_line: tuple[float, float] | None
    edge: int
    decision: str
    text: str
    is_overall: bool = False


@dataclass(frozen=True)
class Forest:
    """The whole figure; the margin's band lies between two pixels."""

    height: float
    axis: Axis
    margin: tuple[float, float]
    unity: float
    rows: tuple[ForestRow, ...]
    width: float
    is_narrow: bool

    @property
    def stretches(self) -> tuple[tuple[float, float], ...]:
        """Where lines go down the figure: through all of it, or between a narrow screen's words."""
        if not self.is_narrow:
            return ((_TOP, self.height - _BOTTOM),)
        return tuple((row.top + _NARROW.drop - 11.0, row.top + _NARROW.row) for row in self.rows)


def forest(comparison: Comparison, *, narrow: bool = False) -> Forest | None:
    """The figure, or None where no workload has a ratio; `narrow` for a telephone's screen."""
    sheet = _NARROW if narrow else _WIDE
    estimates = [_Estimate.of_workload(item) for item in comparison.workloads]
    if comparison.overall.get("ratio") is not None:
        estimates.append(_Estimate.of_overall(comparison.overall))
    if not any(item.ratio is not None for item in estimates):
        return None
    axis = _axis(estimates, comparison.margin_percent, sheet)
    margin = comparison.margin_percent / 100.0
    rows = tuple(
        _row(item, axis, _TOP + sheet.row * index, sheet) for index, item in enumerate(estimates)
    )
    return Forest(
        height=_TOP + sheet.row * len(rows) + _BOTTOM,
        axis=axis,
        margin=(axis.place(_percent(1 / (1 + margin))), axis.place(100.0 * margin)),
        unity=axis.place(0.0),
        rows=rows,
        width=sheet.width,
        is_narrow=narrow,
    )


@dataclass(frozen=True)
class _Estimate:
    name: str
    ratio: float | None
    low: float | None
    high: float | None
    decision_low: float | None
    decision_high: float | None
    decision: str
    is_overall: bool = False

    @classmethod
    def of_workload(cls, item: Any) -> _Estimate:
        return cls(
            item.name, item.ratio, item.low, item.high, item.decision_low, item.decision_high,
            item.decision,
        )  # fmt: skip

    @classmethod
    def of_overall(cls, overall: Mapping[str, Any]) -> _Estimate:
        low, high = overall.get("low"), overall.get("high")
        decision = str(overall.get("decision") or "undecided")
        return cls(
            "all workloads (geometric mean)", overall["ratio"], low, high, low, high, decision, True
        )

    def percents(self) -> list[float]:
        """Every end that is known, as a change in percent."""
        ends = (self.ratio, self.low, self.high, self.decision_low, self.decision_high)
        return [_percent(end) for end in ends if end is not None and math.isfinite(end)]


def _percent(ratio: float) -> float:
    return 100.0 * (ratio - 1.0)


def _axis(estimates: Sequence[_Estimate], margin_percent: float, sheet: _Sheet) -> Axis:
    reaches = [max(map(abs, item.percents()), default=0.0) for item in estimates]
    known = [reach for reach in reaches if reach > 0.0] or [0.0]
    most = max(_MEDIAN_REACHES * median(known), _MARGINS * margin_percent, _SMALLEST_REACH_PERCENT)
    reach = 1.08 * min(max([2.0 * margin_percent, _SMALLEST_REACH_PERCENT, *known]), most)
    return change_axis(reach, (sheet.start, sheet.end), most=sheet.most_ticks)


def _row(item: _Estimate, axis: Axis, top: float, sheet: _Sheet) -> ForestRow:
    has_value = item.ratio is not None and math.isfinite(item.ratio)
    percent = _percent(item.ratio) if item.ratio is not None and has_value else 0.0
    edge = 0 if axis.holds(percent) else (-1 if percent < axis.low else 1)
    return ForestRow(
        label=shortened(item.name, sheet.name_characters),
        name=one_line(item.name),
        top=top,
        y=top + sheet.drop,
        value_x=axis.place(percent) if has_value else None,
        line=_line(item.low, item.high, axis),
        decision_line=_line(item.decision_low, item.decision_high, axis),
        edge=edge,
        decision=item.decision,
        text=change_text(item.ratio, item.low, item.high),
        is_overall=item.is_overall,
    )


def change_text(ratio: float | None, low: float | None, high: float | None) -> str:
    """A ratio as a change with its interval: ``+3.12 % (+2.80 to +3.44 %)``."""
    if ratio is None:
        return "not measured"
    if low is None or high is None:
        return units.change(ratio)
    return f"{units.change(ratio)} ({units.change(low).removesuffix(' %')} to {units.change(high)})"


def _line(low: float | None, high: float | None, axis: Axis) -> tuple[float, float] | None:
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return None
    return axis.place(_percent(low)), axis.place(_percent(high))
