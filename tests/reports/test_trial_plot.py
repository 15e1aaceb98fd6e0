"""The trial figures: every trial finds its place, none is dropped."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.results import TrialPoint
from reports.trial_plot import STATES, order_plot, overview
from tests.reports import samples


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
    mark = next(mark for mark in plot.rows[0].marks if f"trial {point.round} (" in mark.title)
    expected = plot.axis.place(100 * (point.value / item.mean - 1))
    assert mark.x == pytest.approx(expected)
    assert mark.edge == 0


def test_the_spread_beside_a_row_is_called_as_everywhere_else() -> None:
    item = replace(samples.passing().workloads[0], cv_percent=19.69)
    plot = overview([item])
    assert plot is not None
    assert plot.rows[0].note == "spread (CV) 20 %"


def test_trials_run_from_top_to_bottom_in_their_order() -> None:
    plot = overview([samples.passing().workloads[1]])
    assert plot is not None
    by_trial = sorted(plot.rows[0].marks, key=lambda mark: int(mark.title.split()[1].rstrip(",")))
    heights = [mark.y for mark in by_trial]
    assert heights == sorted(heights)


def test_a_far_stray_stands_at_the_edge_with_its_value_and_squeezes_nothing() -> None:
    item = samples.passing().workloads[0]
    assert item.mean is not None
    stray = TrialPoint(199, 99, 1, 5.0, 3 * item.mean, "rejected", ("run delay 70 %",))
    usual, strayed = overview([item]), overview([replace(item, points=(*item.points, stray))])
    assert usual is not None
    assert strayed is not None
    assert strayed.axis.high == usual.axis.high
    mark = next(mark for mark in strayed.rows[0].marks if mark.title.startswith("trial 99 "))
    assert mark.edge == 1
    assert mark.note == "+200.0 %"
    assert mark.title.startswith("trial 99 (number 199 in the run): ")
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
