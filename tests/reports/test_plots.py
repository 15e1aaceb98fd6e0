"""The four figures: every value finds its place, none is dropped, none is invented."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.outcome import Verdict
from harness.results import ChannelSummary, CriterionResult, Envelope, TrialPoint
from reports.figures import Axis
from reports.forest_plot import change_text, forest
from reports.gauge import gauge
from reports.sensor_plot import last_second, spark, timeline
from reports.trial_plot import STATES, order_plot, overview
from tests.reports import comparisons, sample_parts, samples


def test_the_overview_marks_every_trial_of_every_workload() -> None:
    run = samples.wide()
    plot = overview(run.workloads)
    assert plot is not None
    assert [len(row.marks) for row in plot.rows] == [len(item.points) for item in run.workloads]


def test_a_mark_stands_at_its_difference_from_the_mean() -> None:
    item = samples.passing().workloads[0]
    plot = overview([item])
    assert plot is not None
    assert item.mean is not None
    point = next(point for point in item.points if point.state == "kept")
    mark = next(mark for mark in plot.rows[0].marks if f"trial {point.trial}," in mark.title)
    expected = plot.axis.place(100 * (point.value / item.mean - 1))
    assert mark.x == pytest.approx(expected)
    assert mark.edge == 0


def test_trials_run_from_top_to_bottom_in_their_order() -> None:
    plot = overview([samples.passing().workloads[1]])
    assert plot is not None
    by_trial = sorted(plot.rows[0].marks, key=lambda mark: int(mark.title.split()[1].rstrip(",")))
    heights = [mark.y for mark in by_trial]
    assert heights == sorted(heights)


def test_a_far_stray_stands_at_the_edge_with_its_value_and_squeezes_nothing() -> None:
    item = samples.passing().workloads[0]
    assert item.mean is not None
    stray = TrialPoint(99, 1, 1, 5.0, 3 * item.mean, "rejected", ("run delay 70 %",))
    usual, strayed = overview([item]), overview([replace(item, points=(*item.points, stray))])
    assert usual is not None
    assert strayed is not None
    assert strayed.axis.high == usual.axis.high
    mark = next(mark for mark in strayed.rows[0].marks if mark.title.startswith("trial 99"))
    assert mark.edge == 1
    assert mark.note == "+200.0 %"
    assert "run delay 70 %" in mark.title


def test_a_kept_trial_is_never_off_the_scale() -> None:
    for item in samples.wide().workloads:
        plot = overview([item])
        assert plot is not None
        assert all(
            mark.edge == 0 for mark in plot.rows[0].marks if mark.state in ("kept", "flagged")
        )


def test_every_state_has_a_legend_only_when_it_occurs() -> None:
    plot = overview(samples.passing().workloads)
    assert plot is not None
    assert [state for state, _ in plot.states] == ["kept", "flagged", "rejected", "warm-up"]
    assert {state for state, _ in STATES} == {"kept", "flagged", "rejected", "warm-up", "invalid"}


def test_rare_marks_are_drawn_over_common_ones() -> None:
    plot = overview(samples.wide().workloads)
    assert plot is not None
    for row in plot.rows:
        states = [mark.state for mark in row.marks]
        assert states == sorted(states, key=lambda state: state != "kept")


def test_without_a_mean_or_a_trial_there_is_no_figure_rather_than_an_empty_one() -> None:
    item = samples.passing().workloads[0]
    assert overview([]) is None
    assert overview([replace(item, mean=None)]) is None
    assert overview([replace(item, points=())]) is None
    assert order_plot(replace(item, points=())) is None
    broken = tuple(replace(point, value=math.nan) for point in item.points)
    assert order_plot(replace(item, points=broken)) is None


def test_the_order_plot_is_in_the_workloads_unit_and_shows_mean_and_interval() -> None:
    item = samples.passing().workloads[0]
    plot = order_plot(item)
    assert plot is not None
    assert plot.symbol == "GFLOP/s"
    assert item.mean is not None
    assert plot.mean == pytest.approx(plot.up.place(item.mean))
    assert plot.band is not None
    assert plot.mean is not None
    assert plot.band[0] < plot.mean < plot.band[1]
    assert len(plot.marks) == len(item.points)


def test_one_trial_of_one_value_can_be_drawn() -> None:
    item = samples.without_sensors().workloads[0]
    plot = order_plot(item)
    assert plot is not None
    assert plot.band is None
    assert [tick.label for tick in plot.across.ticks] == ["1"]


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


def rule(
    measured: float | None, limit: float | None, low: float | None = None, high: float | None = None
) -> CriterionResult:
    return CriterionResult("rule", True, Verdict.PASS, measured, low, high, limit, "W", "why")


def test_a_gauge_keeps_value_interval_and_limit_in_order() -> None:
    small = gauge(rule(80.0, 90.0, 78.0, 82.0))
    assert small is not None
    assert small.low < small.value < small.high < small.limit < small.width


def test_a_gauge_is_left_out_where_there_is_nothing_to_compare() -> None:
    assert gauge(rule(None, 90.0)) is None
    assert gauge(rule(80.0, None)) is None
    assert gauge(rule(0.0, 0.0)) is None
    assert gauge(rule(math.inf, 1.0)) is None


def test_the_forest_shows_each_ratio_against_the_margin() -> None:
    plot = forest(comparisons.mixed())
    assert plot is not None
    assert len(plot.rows) == 7
    assert plot.rows[-1].is_overall
    # Equivalence limits of a ratio are reciprocal: 1/1.01 and 1.01.
    assert plot.margin == pytest.approx((plot.axis.place(-0.990099), plot.axis.place(1.0)))
    equivalent, slower = plot.rows[0], plot.rows[2]
    assert equivalent.decision_line is not None
    assert plot.margin[0] < equivalent.decision_line[0]
    assert equivalent.decision_line[1] < plot.margin[1]
    assert slower.value_x is not None
    assert slower.value_x < plot.unity


def test_one_huge_ratio_stands_at_the_edge_and_a_missing_one_stays_empty() -> None:
    plot = forest(comparisons.mixed())
    assert plot is not None
    huge, missing = plot.rows[4], plot.rows[5]
    assert huge.edge == 1
    assert plot.axis.high < 20
    assert missing.value_x is None
    assert missing.line is None
    assert missing.text == "not measured"


def test_without_any_ratio_there_is_no_forest() -> None:
    assert forest(comparisons.empty()) is None


def test_a_change_is_told_with_its_interval() -> None:
    assert change_text(1.0312, 1.028, 1.0344) == "+3.12 % (+2.80 to +3.44 %)"
    assert change_text(1.0312, None, None) == "+3.12 %"
    assert change_text(None, None, None) == "not measured"


def test_a_channel_with_one_reading_can_be_drawn() -> None:
    lonely = ChannelSummary(
        "a", "W", "hwmon", "cpu_power", 1, 0, 5.0, 5.0, 5.0,
        envelopes=(Envelope(0.0, 1.0, 5.0, 5.0, 5.0, 1),),
    )  # fmt: skip
    plot = timeline(replace(samples.without_sensors(), channels=(lonely,)))
    assert plot is not None
    assert isinstance(plot.time, Axis)
    assert spark(lonely, 60.0) is not None
