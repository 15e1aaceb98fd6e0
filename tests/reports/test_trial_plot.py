"""The trial figures: every trial finds its place, none is dropped."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.results import TrialPoint
from reports.figures import NARROW_WIDTH
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


def test_on_a_narrow_screen_a_rows_marks_stand_under_its_words_and_none_is_lost() -> None:
    wide, narrow = (overview(samples.wide().workloads, narrow=it) for it in (False, True))
    assert wide is not None
    assert narrow is not None
    assert narrow.width == NARROW_WIDTH
    assert [len(row.marks) for row in narrow.rows] == [len(row.marks) for row in wide.rows]
    assert all(row.marks_top == row.top for row in wide.rows)
    for row in narrow.rows:
        assert all(row.top + 34 < row.marks_top < mark.y < row.bottom for mark in row.marks)
        assert all(0 < mark.x < NARROW_WIDTH for mark in row.marks)


@pytest.mark.parametrize(("values", "note"), [((0.99, 1.01), "−50.0 %"), ((1.01, 0.99), "")])
def test_a_note_at_the_edge_is_left_out_where_a_mark_stands(
    values: tuple[float, float], note: str
) -> None:
    """The trial before the stray lies on the other side, then on the stray's."""
    item = samples.passing().workloads[0]
    assert item.mean is not None
    kept = next(point for point in item.points if point.state == "kept")
    stray = replace(kept, value=item.mean / 2, state="rejected")
    others = [replace(kept, value=share * item.mean) for share in values]
    plot = overview([replace(item, points=(*others, stray))])
    assert plot is not None
    assert [mark.note for mark in plot.rows[0].marks if mark.edge] == [note]


def test_the_order_plot_of_a_narrow_screen_has_fewer_numbers_and_every_mark() -> None:
    item = samples.wide().workloads[0]
    wide, narrow = order_plot(item), order_plot(item, narrow=True)
    assert wide is not None
    assert narrow is not None
    assert len(narrow.marks) == len(wide.marks)
    assert len(narrow.across.ticks) < len(wide.across.ticks)
    assert max(mark.x for mark in narrow.marks) < NARROW_WIDTH
