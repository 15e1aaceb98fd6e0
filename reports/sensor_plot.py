"""The sensor timelines: one panel for each role, all over the same time, load spans marked.

A panel of several channels shows the band from the lowest to the highest reading among them and
the mean of all as a line, so that 64 core clocks are as readable as one package temperature.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from harness import units
from harness.results import ChannelSummary, Envelope, LoadSpan, RunResult, SafetyStop
from reports.figures import (
    NARROW_WIDTH,
    Axis,
    Bin,
    band_path,
    binned,
    mean_path,
    spread,
    stretches,
    time_axis,
    value_axis,
)
from reports.text import one_line, shortened
from reports.wording import capitalised, failure_text, spaced, stop_text, unit_text, value_text

WIDTH = 1040.0
_PANEL_HEIGHT, _PANEL_GAP = 92.0, 14.0
_SPARK_WIDTH, _SPARK_HEIGHT, _SPARK_BINS = 150.0, 24.0, 75
_MOST_PANELS = 8
_MOST_MARKS = 60
#: A note with less room than this many characters would say nothing.
_SHORTEST_NOTE = 24
_CHARACTER_WIDTH = 6.6
#: What a reader looks for first (common practice, no source); other roles follow as they come.
_ROLES_FIRST = ("cpu_temperature", "core_clock", "cpu_power", "fan_speed")
#: More than this many empty bins, or missed blocks of readings, are shown as a gap.
_GAP_BINS, _GAP_PACES = 1.5, 2.2


@dataclass(frozen=True)
class _Sheet:
    """Where the panels may stand, and how much room their words take above them."""

    width: float
    left: float
    right: float
    top: float
    bottom: float
    head: float
    bins: int
    most_ticks: int


_WIDE = _Sheet(WIDTH, 206.0, 124.0, 34.0, 36.0, 0.0, 360, 8)
_NARROW = _Sheet(NARROW_WIDTH, 48.0, 24.0, 0.0, 54.0, 46.0, 120, 4)


@dataclass(frozen=True)
class Span:
    """A stretch of load; `label` is empty where there is no room for it."""

    x: float
    width: float
    label: str
    title: str


@dataclass(frozen=True)
class Moment:
    """Something at one instant: a failure, the safety stop."""

    x: float
    kind: str
    title: str


@dataclass(frozen=True)
class Trace:
    """The drawn part of one stretch without gaps."""

    band: str
    line: str


@dataclass(frozen=True)
class PanelNote:
    """Why a panel's readings end before the run does, said where they end."""

    x: float
    y: float
    text: str
    full: str


@dataclass(frozen=True)
class Panel:
    """One role's readings over time."""

    title: str
    detail: str
    symbol: str
    #: Where the words begin; over the panel on a narrow screen, else beside it.
    words_top: float
    top: float
    bottom: float
    axis: Axis
    traces: tuple[Trace, ...]
    lowest: str
    highest: str
    limit: tuple[float, str] | None
    note: PanelNote | None


@dataclass(frozen=True)
class Timeline:
    """All panels over one time axis."""

    height: float
    time: Axis
    spans: tuple[Span, ...]
    moments: tuple[Moment, ...]
    panels: tuple[Panel, ...]
    #: Roles without a panel because they never changed, with their value.
    constant: tuple[str, ...]
    #: Roles for which there was no panel left.
    left_out: tuple[str, ...]
    width: float
    is_narrow: bool


@dataclass(frozen=True)
class Spark:
    """One channel's readings over the run, small, for a table's cell."""

    traces: tuple[Trace, ...]
    width: float = _SPARK_WIDTH
    height: float = _SPARK_HEIGHT


Group = tuple[str, tuple[ChannelSummary, ...]]


def timeline(result: RunResult, *, narrow: bool = False) -> Timeline | None:
    """The figure, or None where no channel has a reading to draw; `narrow` for a telephone."""
    sheet = _NARROW if narrow else _WIDE
    groups = _groups(result.channels)
    if not groups:
        return None
    moving = [group for group in groups if not _is_constant(group)]
    drawn = (moving or groups)[:_MOST_PANELS]
    pixels = (sheet.left, sheet.width - sheet.right)
    time = time_axis(*_time_range(result, groups), pixels, most=sheet.most_ticks)
    panels, top = [], sheet.top
    for group in drawn:
        panels.append(_panel(group, time, top, sheet, result.safety_stop))
        top = panels[-1].bottom + _PANEL_GAP
    left = [group for group in groups if group not in drawn]
    return Timeline(
        height=top - _PANEL_GAP + sheet.bottom,
        time=time,
        spans=tuple(_spans(result, time)),
        moments=_moments(result, time),
        panels=tuple(panels),
        constant=tuple(_constant_text(group) for group in left if _is_constant(group)),
        left_out=tuple(spaced(group[0]) for group in left if not _is_constant(group)),
        width=sheet.width,
        is_narrow=narrow,
    )


def _is_constant(group: Group) -> bool:
    low, high = _group_range(group)
    return low == high


def _constant_text(group: Group) -> str:
    name, channels = group
    return f"{spaced(one_line(name))} {value_text(_group_range(group)[0], channels[0].unit)}"


def _group_range(group: Group) -> tuple[float, float]:
    return _range([item for channel in group[1] for item in _finite(channel.envelopes)])


def spark(channel: ChannelSummary, end_seconds: float) -> Spark | None:
    """A channel's small figure from the run's start to `end_seconds`."""
    envelopes = _finite(channel.envelopes)
    if not envelopes or end_seconds <= 0:
        return None
    time = Axis(0.0, end_seconds, 0.0, _SPARK_WIDTH)
    low, high = spread(*_range(envelopes))
    up = Axis(low, high, _SPARK_HEIGHT - 1, 1.0)
    pace = _pace(channel)
    bins = binned(envelopes, time, _bin_count(time, pace, _SPARK_BINS))
    return Spark(_traces(bins, up, _gap_pixels(time, pace, bins)))


def last_second(result: RunResult) -> float:
    """Where the run's time axis ends: its duration, or the last thing that is known."""
    ends = [span.end_seconds for span in result.load_spans]
    ends += [_end(channel.envelopes[-1]) for channel in result.channels if channel.envelopes]
    ends += [event.at_seconds for event in result.events]
    known = [end for end in [*ends, result.duration_seconds or 0.0] if math.isfinite(end)]
    return max(known, default=0.0)


def _groups(channels: Iterable[ChannelSummary]) -> list[Group]:
    """Channels with readings, by role and unit; without any role, one by one."""
    found: dict[tuple[str, str], list[ChannelSummary]] = {}
    readable = [channel for channel in channels if _finite(channel.envelopes)]
    with_role = [channel for channel in readable if channel.role]
    for channel in with_role or readable:
        found.setdefault((channel.role or channel.name, channel.unit), []).append(channel)
    order = {role: index for index, role in enumerate(_ROLES_FIRST)}
    keys = sorted(found, key=lambda key: order.get(key[0], len(order)))
    return [(key[0], tuple(found[key])) for key in keys]


def _time_range(result: RunResult, groups: Sequence[Group]) -> tuple[float, float]:
    starts = [_finite(item.envelopes)[0].at_seconds for _, part in groups for item in part]
    low, high = min([0.0, *starts]), last_second(result)
    return (low, high) if high > low else (low, low + 1.0)


def _panel(
    group: Group, time: Axis, words_top: float, sheet: _Sheet, stop: SafetyStop | None
) -> Panel:
    role, channels = group
    envelopes = [item for channel in channels for item in _finite(channel.envelopes)]
    top, unit = words_top + sheet.head, channels[0].unit
    bottom = top + _PANEL_HEIGHT
    low, high = _range(envelopes)
    reached = _stop_of(channels, stop)
    limits = [] if reached is None else [reached.limit]
    axis, symbol = value_axis(
        *spread(min([low, *limits]), max([high, *limits]), share=0.1),
        unit_text(unit),
        (bottom, top),
        most=3,
    )
    pace = max(_pace(channel) for channel in channels)
    bins = binned(envelopes, time, _bin_count(time, pace, sheet.bins))
    return Panel(
        title=capitalised(spaced(one_line(role))),
        detail=_detail(channels),
        symbol=symbol,
        words_top=words_top,
        top=top,
        bottom=bottom,
        axis=axis,
        traces=_traces(bins, axis, _gap_pixels(time, pace, bins)),
        lowest=value_text(low, unit),
        highest=value_text(high, unit),
        limit=None if reached is None else _limit_line(reached, axis),
        note=_end_note(channels, bins, axis, time),
    )


def _end_note(
    channels: Sequence[ChannelSummary], bins: Sequence[Bin], axis: Axis, time: Axis
) -> PanelNote | None:
    """The reason a lone channel gives, where its line ends early enough to leave room for it."""
    last = bins[-1]
    room = int((time.end - last.right - 16) / _CHARACTER_WIDTH)
    if len(channels) > 1 or not channels[0].why or room < _SHORTEST_NOTE:
        return None
    full = one_line(channels[0].why, limit=300)
    return PanelNote(last.right, axis.place(last.mean), shortened(full, room), full)


def _detail(channels: Sequence[ChannelSummary]) -> str:
    name = one_line(channels[0].name)
    return name if len(channels) == 1 else f"{len(channels)} channels"


def _stop_of(channels: Sequence[ChannelSummary], stop: SafetyStop | None) -> SafetyStop | None:
    if stop is None or not math.isfinite(stop.limit):
        return None
    names = {name for channel in channels for name in (channel.name, channel.key)}
    return stop if stop.channel in names else None


def _limit_line(stop: SafetyStop, axis: Axis) -> tuple[float, str]:
    return axis.place(stop.limit), f"limit {units.stated(stop.limit, unit_text(stop.unit))}"


def _pace(channel: ChannelSummary) -> float:
    """Usual seconds between two blocks of readings: some chips answer but every few seconds."""
    starts = [item.at_seconds for item in _finite(channel.envelopes)]
    steps = [second - first for first, second in pairwise(starts) if second > first]
    return median(steps) if steps else channel.envelopes[0].duration_seconds


def _bin_count(time: Axis, pace: float, most: int) -> int:
    """No more bins than blocks, or the line would fall apart into dots."""
    return min(max(int((time.high - time.low) / pace), 1), most) if pace > 0 else most


def _gap_pixels(time: Axis, pace: float, bins: Sequence[Bin]) -> float:
    """How far apart two bins may lie before the line between them would be made up."""
    pixels_per_second = (time.end - time.start) / (time.high - time.low)
    return max(_GAP_BINS * (bins[0].right - bins[0].left), _GAP_PACES * pace * pixels_per_second)


def _traces(bins: Sequence[Bin], axis: Axis, gap: float) -> tuple[Trace, ...]:
    return tuple(
        Trace(band_path(part, axis), mean_path(part, axis)) for part in stretches(bins, gap=gap)
    )


def _spans(result: RunResult, time: Axis) -> Iterable[Span]:
    for span in _joined(result.load_spans, time):
        left, right = time.place(span.start_seconds), time.place(span.end_seconds)
        text = one_line(span.label, limit=200)
        has_room = len(text) * _CHARACTER_WIDTH < right - left
        title = f"{text}: {units.elapsed(span.start_seconds)} to {units.elapsed(span.end_seconds)}"
        yield Span(left, max(right - left, 0.5), text if has_room else "", title)


def _joined(spans: Iterable[LoadSpan], time: Axis) -> list[LoadSpan]:
    """Load spans in order; those of one label with less than half a pixel between are one."""
    pixel = (time.high - time.low) / (time.end - time.start)
    joined: list[LoadSpan] = []
    for span in spans:
        if not math.isfinite(span.start_seconds) or not math.isfinite(span.end_seconds):
            continue
        last = joined[-1] if joined else None
        if last and last.label == span.label and span.start_seconds - last.end_seconds < pixel / 2:
            end = max(last.end_seconds, span.end_seconds)
            joined[-1] = replace(last, end_seconds=end)
        else:
            joined.append(span)
    return joined


def _moments(result: RunResult, time: Axis) -> tuple[Moment, ...]:
    moments = [
        Moment(time.place(item.at_seconds), "failure", failure_text(item))
        for item in result.failures[:_MOST_MARKS]
        if math.isfinite(item.at_seconds)
    ]
    stop = result.safety_stop
    if stop is not None and math.isfinite(stop.at_seconds):
        moments.append(Moment(time.place(stop.at_seconds), "stop", stop_text(stop)))
    return tuple(moments)


def _finite(envelopes: Iterable[Envelope]) -> list[Envelope]:
    return [
        item
        for item in envelopes
        if all(map(math.isfinite, (item.at_seconds, item.minimum, item.mean, item.maximum)))
    ]


def _range(envelopes: Sequence[Envelope]) -> tuple[float, float]:
    return min(item.minimum for item in envelopes), max(item.maximum for item in envelopes)


def _end(envelope: Envelope) -> float:
    return envelope.at_seconds + envelope.duration_seconds
