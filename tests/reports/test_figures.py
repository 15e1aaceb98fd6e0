"""Geometry of the figures, against arithmetic done another way."""

from __future__ import annotations

import math
import re
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from harness.results import Envelope
from reports.figures import (
    Axis,
    Bin,
    band_path,
    binned,
    change_axis,
    clock_label,
    mean_path,
    px,
    round_ticks,
    spread,
    stretches,
    tick_places,
    time_axis,
    time_ticks,
    value_axis,
)

#: No deadline: other work on the machine must not fail a test.
CALM = settings(deadline=None)
VALUES = st.floats(min_value=-1e12, max_value=1e12)


def envelope(at: float, low: float, mean: float, high: float, samples: int = 2) -> Envelope:
    return Envelope(at, 1.0, low, mean, high, samples)


@CALM
@given(low=VALUES, width=st.floats(min_value=1e-3, max_value=1e12), most=st.integers(2, 12))
def test_round_ticks_are_few_evenly_spaced_and_inside(low: float, width: float, most: int) -> None:
    assume(width > 1e-6 * abs(low))
    ticks = round_ticks(low, low + width, most)
    assert len(ticks) <= most + 1
    slack = 1e-6 * width
    assert all(low - slack <= tick <= low + width + slack for tick in ticks)
    steps = [second - first for first, second in pairwise(ticks)]
    assert all(math.isclose(step, steps[0], rel_tol=1e-6, abs_tol=1e-9 * width) for step in steps)


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0.0, 10.0, 5, (0, 2, 4, 6, 8, 10)),
        (34.6, 79.7, 3, (40, 60)),
        (-1.3, 1.3, 8, (-1, -0.5, 0, 0.5, 1)),
        (4.738, 4.986, 3, (4.8, 4.9)),
    ],
)
def test_ticks_stand_at_numbers_people_read(
    low: float, high: float, most: int, expected: tuple[float, ...]
) -> None:
    assert round_ticks(low, high, most) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("high", "expected"),
    [
        (60.0, (0, 10, 20, 30, 40, 50, 60)),
        (1_284.6, (0, 300, 600, 900, 1_200)),
        (36_000.0, (0, 7_200, 14_400, 21_600, 28_800, 36_000)),
    ],
)
def test_ticks_of_time_are_round_on_a_clock(high: float, expected: tuple[float, ...]) -> None:
    assert time_ticks(0.0, high, 8) == pytest.approx(expected)


def test_a_month_still_gets_few_ticks() -> None:
    assert 1 <= len(time_ticks(0.0, 180 * 86_400.0, 8)) <= 9


@pytest.mark.parametrize(
    ("seconds", "step", "label"),
    [
        (0.5, 0.5, "0.5 s"),
        (90.0, 30.0, "1:30"),
        (300.0, 300.0, "5 min"),
        (7_200.0, 3_600.0, "2 h 00"),
        (5_400.0, 1_800.0, "1 h 30"),
    ],
)
def test_a_label_of_time_is_as_fine_as_its_step(seconds: float, step: float, label: str) -> None:
    assert clock_label(seconds, step) == label


@CALM
@given(low=VALUES, width=st.floats(min_value=1e-3, max_value=1e9), share=st.floats(0, 1))
def test_a_place_on_an_axis_is_linear_in_the_value(low: float, width: float, share: float) -> None:
    assume(width > 1e-6 * abs(low))
    axis = Axis(low, low + width, 200.0, 40.0)
    assert axis.place(low + share * width) == pytest.approx(200 - 160 * share, abs=0.01)


def test_what_lies_beyond_an_axis_lands_on_its_end_and_is_known_to() -> None:
    axis = Axis(0.0, 10.0, 0.0, 100.0)
    assert (axis.place(-5), axis.place(15)) == (0.0, 100.0)
    assert (axis.holds(-5), axis.holds(10), axis.holds(15)) == (False, True, False)


def test_a_single_value_still_gets_an_axis_with_room() -> None:
    for value in (0.0, 5.0, -3e9, 1e-12):
        low, high = spread(value, value)
        assert low <= value < high
        assert high - low > 0.05 * abs(value)


def test_what_is_never_negative_gets_no_negative_axis() -> None:
    assert spread(0.0, 10.0)[0] == 0.0
    assert spread(0.1, 10.0)[0] == 0.0
    assert spread(-0.1, 10.0)[0] < -0.1


def test_axis_labels_are_in_the_unit_that_is_named_once() -> None:
    axis, symbol = value_axis(4.738e9, 4.986e9, "Hz", (100.0, 0.0), most=3)
    assert symbol == "GHz"
    assert [tick.label for tick in axis.ticks] == ["4.8", "4.9"]


def test_the_axis_of_changes_is_symmetric_and_signed() -> None:
    axis = change_axis(1.3, (0.0, 260.0))
    assert [tick.label for tick in axis.ticks] == ["−1.0 %", "−0.5 %", "0.0 %", "+0.5 %", "+1.0 %"]
    assert axis.place(0.0) == pytest.approx(130.0)


def test_the_time_axis_labels_its_ticks() -> None:
    axis = time_axis(0.0, 1_284.6, (0.0, 800.0))
    assert [tick.label for tick in axis.ticks][:3] == ["0 min", "5 min", "10 min"]


@pytest.mark.parametrize(
    ("values", "places"),
    [((0.0, 5.0), 0), ((0.5, 1.0), 1), ((0.25, 0.5), 2), ((math.pi,), 6), ((), 0)],
)
def test_ticks_get_the_fewest_decimals_that_keep_them_exact(
    values: tuple[float, ...], places: int
) -> None:
    assert tick_places(values) == places


@CALM
@given(
    heights=st.lists(st.floats(min_value=-1e6, max_value=1e6), min_size=1, max_size=400),
    count=st.integers(1, 60),
)
def test_binning_loses_no_extreme_and_no_sample(heights: list[float], count: int) -> None:
    data = [envelope(float(at), value - 1, value, value + 1) for at, value in enumerate(heights)]
    axis = Axis(0.0, float(len(heights)), 0.0, 300.0)
    bins = binned(data, axis, count)
    assert min(item.minimum for item in bins) == min(heights) - 1
    assert max(item.maximum for item in bins) == max(heights) + 1
    assert all(item.minimum <= item.mean <= item.maximum for item in bins)
    assert len(bins) <= count


def test_a_bins_mean_is_weighted_by_samples() -> None:
    data = [envelope(0.0, 0, 10.0, 20, samples=1), envelope(1.0, 0, 20.0, 20, samples=3)]
    (only,) = binned(data, Axis(0.0, 2.0, 0.0, 100.0), 1)
    assert only.mean == pytest.approx(17.5)


def test_a_stretch_without_samples_is_a_gap_not_a_line() -> None:
    data = [envelope(float(at), 0, 1, 2) for at in (0, 1, 2, 50, 51)]
    bins = binned(data, Axis(0.0, 100.0, 0.0, 100.0), 100)
    parts = stretches(bins, gap=3.5)
    assert [len(part) for part in parts] == [3, 2]


def test_a_band_goes_along_the_highest_and_back_along_the_lowest() -> None:
    axis = Axis(0.0, 10.0, 100.0, 0.0)
    path = band_path([Bin(0, 10, 2.0, 3.0, 4.0), Bin(10, 20, 1.0, 3.0, 6.0)], axis)
    assert path == "M0,60L10,60L10,40L20,40L20,90L10,90L10,80L0,80Z"


def test_a_mean_line_spans_its_bins_from_edge_to_edge() -> None:
    axis = Axis(0.0, 10.0, 100.0, 0.0)
    path = mean_path([Bin(0, 10, 2.0, 3.0, 4.0), Bin(10, 20, 1.0, 5.0, 6.0)], axis)
    assert path == "M0,70L5,70L15,50L20,50"


@CALM
@given(value=st.floats(min_value=-1e5, max_value=1e5))
def test_a_pixel_is_a_short_plain_number(value: float) -> None:
    assert re.fullmatch(r"-?\d+(\.\d)?", px(value))
    assert float(px(value)) == pytest.approx(value, abs=0.0501)
    assert px(-0.01) == "0"
