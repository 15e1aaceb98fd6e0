"""The sensor timelines: every reading inside its band, every gap a gap."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.results import ChannelSummary, Envelope, LoadSpan
from reports.figures import NARROW_WIDTH, Axis
from reports.sensor_plot import last_second, spark, timeline
from tests.reports import sample_parts, samples


def test_the_timeline_has_one_panel_for_each_role_temperature_first() -> None:
    plot = timeline(samples.passing())
    assert plot is not None
    assert [panel.title for panel in plot.panels] == [
        "CPU temperature", "Core clock", "CPU power", "Fan speed", "Core voltage",
        "Memory temperature",
    ]  # fmt: skip


def test_many_channels_of_one_role_share_a_panel_that_holds_their_extremes() -> None:
    run = samples.wide()
    plot = timeline(run)
    assert plot is not None
    panel = next(panel for panel in plot.panels if panel.title == "Core clock")
    clocks = [item for item in run.channels if item.role == "core_clock"]
    assert panel.detail == f"{len(clocks)} channels"
    highest = max(item.maximum or 0.0 for item in clocks)
    assert panel.highest == f"{highest / 1e9:.3f} GHz"
    assert panel.axis.high > highest


def test_the_figure_is_bounded_however_long_the_run_was() -> None:
    envelopes = tuple(Envelope(float(at), 1.0, 40, 41, 42, 2) for at in range(50_000))
    channel = replace(samples.passing().channels[0], envelopes=envelopes)
    plot = timeline(replace(samples.passing(), channels=(channel,), duration_seconds=50_000.0))
    assert plot is not None
    assert sum(len(trace.band) + len(trace.line) for trace in plot.panels[0].traces) < 30_000


def test_a_short_spike_is_seen_after_binning() -> None:
    calm = [Envelope(float(at), 1.0, 40.0, 41.0, 42.0, 2) for at in range(9_000)]
    calm[4_321] = Envelope(4_321.0, 1.0, 40.0, 60.0, 97.5, 2)
    channel = replace(samples.passing().channels[0], envelopes=tuple(calm))
    plot = timeline(replace(samples.passing(), channels=(channel,)))
    assert plot is not None
    panel = plot.panels[0]
    top = f"{panel.axis.place(97.5):.1f}".removesuffix(".0")
    assert any(f",{top}L" in trace.band for trace in panel.traces)


def test_lost_readings_leave_a_gap_and_the_reason_stands_in_it() -> None:
    plot = timeline(samples.passing())
    assert plot is not None
    panel = plot.panels[-1]
    assert panel.note is not None
    assert panel.note.full == "EIO (input/output error) since 0:12:50.8"
    assert panel.note.x == pytest.approx(
        plot.time.place(0.6 * sample_parts.DURATION_SECONDS), abs=4
    )


def test_a_slow_sensor_gets_a_line_and_not_a_row_of_dots() -> None:
    """A drive is read every five seconds: bins finer than that would be mostly empty."""
    slow = tuple(Envelope(5.0 * step, 1.0, 40, 41 + step % 2, 43, 1) for step in range(12))
    channel = replace(samples.passing().channels[0], envelopes=slow)
    run = replace(samples.without_sensors(), channels=(channel,), duration_seconds=60.0)
    plot, small = timeline(run), spark(channel, 60.0)
    assert plot is not None
    assert small is not None
    assert len(plot.panels[0].traces) == 1
    assert len(small.traces) == 1


def test_readings_that_stop_and_come_back_are_two_lines() -> None:
    steps = [*range(100), *range(140, 200)]
    broken = tuple(Envelope(float(at), 1.0, 40, 41 + at % 2, 43, 2) for at in steps)
    channel = replace(samples.passing().channels[0], envelopes=broken)
    run = replace(samples.without_sensors(), channels=(channel,), duration_seconds=200.0)
    plot = timeline(run)
    assert plot is not None
    assert len(plot.panels[0].traces) == 2


def test_what_never_changed_is_named_and_leaves_its_room_to_what_did() -> None:
    flat = tuple(Envelope(float(at), 1.0, 0, 0, 0, 2) for at in range(60))
    counter = replace(samples.passing().channels[0], role="throttle_count", unit="count")
    counter = replace(counter, envelopes=flat)
    run = samples.passing()
    plot = timeline(replace(run, channels=(counter, *run.channels)))
    assert plot is not None
    assert plot.constant == ("throttle count 0",)
    assert len(plot.panels) == 6
    alone = timeline(replace(run, channels=(counter,)))
    assert alone is not None
    assert [panel.title for panel in alone.panels] == ["Throttle count"]
    assert alone.panels[0].axis.low == 0.0


def test_thousands_of_trials_in_a_row_are_drawn_as_one_stretch_of_load() -> None:
    short = tuple(LoadSpan(0.1 * n, 0.1 * n + 0.09, "sort-keys") for n in range(9_000))
    plot = timeline(replace(samples.passing(), load_spans=short))
    assert plot is not None
    assert len(plot.spans) == 1
    assert plot.spans[0].width == pytest.approx(plot.time.place(900) - plot.time.place(0), abs=1)


def test_load_spans_failures_and_the_stop_stand_where_they_happened() -> None:
    run = samples.failing()
    plot = timeline(run)
    assert plot is not None
    assert [span.x for span in plot.spans] == [
        pytest.approx(plot.time.place(span.start_seconds)) for span in run.load_spans
    ]
    assert [moment.x for moment in plot.moments] == [
        pytest.approx(plot.time.place(611.84)), pytest.approx(plot.time.place(903.27)),
    ]  # fmt: skip
    stopped = timeline(samples.safety_stopped())
    assert stopped is not None
    assert [moment.kind for moment in stopped.moments] == ["stop"]
    assert stopped.panels[0].limit is not None
    assert stopped.panels[0].limit[1] == "limit 95 °C"
    assert all(panel.limit is None for panel in stopped.panels[1:])


def test_a_label_is_written_only_where_its_span_has_room() -> None:
    plot = timeline(samples.passing())
    assert plot is not None
    assert [span.label for span in plot.spans] == [""] * 7 + ["soak dense-fp64"]
    assert all(span.title for span in plot.spans)


def test_without_readings_there_is_no_timeline_and_no_spark() -> None:
    run = samples.without_sensors()
    assert timeline(run) is None
    assert spark(run.channels[0], 60.0) is None
    hollow = tuple(Envelope(0.0, 1.0, math.nan, math.nan, math.nan, 0) for _ in range(3))
    channel = replace(samples.passing().channels[0], envelopes=hollow)
    assert timeline(replace(run, channels=(channel,))) is None


def test_channels_without_roles_get_panels_of_their_own_up_to_a_bound() -> None:
    bare = tuple(
        replace(item, role="", name=f"{item.name} {copy}")
        for copy in range(3)
        for item in samples.passing().channels
    )
    plot = timeline(replace(samples.passing(), channels=bare))
    assert plot is not None
    assert len(plot.panels) == 8
    assert len(plot.left_out) == 18 - 8


def test_a_run_without_a_known_end_is_drawn_to_the_last_thing_known() -> None:
    run = samples.crashed()
    assert run.duration_seconds is None
    assert last_second(run) == max(event.at_seconds for event in run.events)
    empty = replace(run, load_spans=(), channels=(), events=())
    assert last_second(empty) == 0.0


def test_a_channel_with_one_reading_can_be_drawn() -> None:
    lonely = ChannelSummary(
        "a", "W", "hwmon", "cpu_power", 1, 0, 5.0, 5.0, 5.0,
        envelopes=(Envelope(0.0, 1.0, 5.0, 5.0, 5.0, 1),),
    )  # fmt: skip
    plot = timeline(replace(samples.without_sensors(), channels=(lonely,)))
    assert plot is not None
    assert isinstance(plot.time, Axis)
    assert spark(lonely, 60.0) is not None


def test_on_a_narrow_screen_each_panel_stands_under_its_words_and_says_the_same() -> None:
    wide, narrow = (timeline(samples.failing(), narrow=it) for it in (False, True))
    assert wide is not None
    assert narrow is not None
    assert narrow.width == NARROW_WIDTH
    assert [(it.title, it.lowest, it.highest) for it in narrow.panels] == [
        (it.title, it.lowest, it.highest) for it in wide.panels
    ]
    assert len(narrow.moments) == len(wide.moments) == 2
    assert all(panel.words_top + 34 < panel.top < panel.bottom for panel in narrow.panels)
    tops = [panel.words_top for panel in narrow.panels]
    assert all(above.bottom < top for above, top in zip(narrow.panels, tops[1:], strict=False))
