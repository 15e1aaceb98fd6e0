"""The comparison's figure: ratios against the margin."""

from __future__ import annotations

import pytest

from reports.figures import NARROW_WIDTH
from reports.forest_plot import change_text, forest
from tests.reports import comparisons


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


def test_on_a_narrow_screen_lines_go_down_between_the_words_only() -> None:
    plot = forest(comparisons.mixed(), narrow=True)
    assert plot is not None
    assert plot.width == NARROW_WIDTH
    assert len(plot.stretches) == len(plot.rows) == 7
    for row, (low, high) in zip(plot.rows, plot.stretches, strict=True):
        assert row.top + 34 < low < row.y < high
    assert all(0 < row.value_x < NARROW_WIDTH for row in plot.rows if row.value_x is not None)
