"""Temperature margin: now, on a hot day, and where nothing may be claimed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import channel, evidence, heating, run_data

from harness.criteria.evidence import Heating, Room
from harness.criteria.temperature_margin import TemperatureMargin
from harness.outcome import Verdict
from harness.results import CriterionResult


def margin(**more: Any) -> CriterionResult:
    keys = {"at_least_celsius": 10.0, **more.pop("keys", {})}
    return TemperatureMargin(**keys).judge(evidence(**more))


def test_without_a_fit_nobody_knows_where_the_temperature_would_end() -> None:
    result = margin()
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "no soak was long enough to fit" in result.why


def test_what_was_read_may_fail_without_a_fit() -> None:
    result = margin(keys={"at_least_celsius": 30.0})
    assert (result.verdict, result.measured) == (Verdict.FAIL, 95.0 - 71.0)
    assert "reached 71.0 °C, 24.0 K below the limit" in result.why


def test_a_soak_too_short_to_show_its_end_forbids_a_pass() -> None:
    short = heating(load="brief", steady_celsius=None, steady_low=None, steady_high=None,
                    reason="too short to show where the temperature ends")  # fmt: skip
    result = margin(heating=(heating(), short))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "brief: too short to show" in result.why
    assert "20.0 K below the limit" in result.why


def test_a_room_warmer_than_the_worst_day_makes_no_margin_larger() -> None:
    keys = {"when": "hot-day"}
    result = margin(heating=(heating(),), room=Room(30.0, 25.0), keys=keys)
    assert result.measured == 20.0


def test_a_temperature_beyond_the_limit_is_said_to_be_above_it() -> None:
    result = margin(heating=(heating(),), keys={"limit_celsius": 70.0, "at_least_celsius": 1.0})
    assert (result.verdict, result.measured) == (Verdict.FAIL, -5.0)
    assert "5.0 K above the limit of 70.0 °C" in result.why


def test_a_fit_foresees_the_heat_still_to_come_with_its_interval() -> None:
    result = margin(heating=(heating(),))
    assert (result.measured, result.low, result.high) == (20.0, 18.0, 22.0)


def test_a_fit_never_makes_the_margin_larger_than_what_was_read() -> None:
    cool = heating(steady_celsius=60.0, steady_low=58.0, steady_high=62.0)
    result = margin(heating=(cool,))
    assert (result.measured, result.high) == (24.0, 24.0)


def test_a_hot_day_adds_the_difference_of_the_rooms() -> None:
    # Linear heat conduction: the rise over the room does not depend on the room. Worked example
    # with theta_JA = 18.3 °C/W (Si5382 configuration report): at 0.876 W the junction is at
    # 41.03 °C in a room of 25 °C, hence 101.03 °C in a room of 85 °C.
    junction = 25.0 + 0.876 * 18.3
    data = run_data(channels=(channel(peak=junction),))
    steady = heating(steady_celsius=junction, steady_low=junction, steady_high=junction)
    result = margin(
        data=data,
        heating=(steady,),
        room=Room(25.0, 85.0),
        keys={"when": "hot-day", "limit_celsius": 125.0},
    )
    assert result.measured == pytest.approx(125.0 - 101.03, abs=0.005)


def test_an_interval_across_the_limit_is_undecided() -> None:
    result = margin(heating=(heating(),), keys={"at_least_celsius": 19.0})
    assert result.verdict is Verdict.INCONCLUSIVE


def test_no_hot_day_without_a_room_temperature() -> None:
    result = margin(keys={"when": "hot-day"})
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "declares no ambient_celsius" in result.why


def test_no_margin_is_claimed_where_the_temperature_was_held_by_control() -> None:
    held = heating(held_by_control=True, reason="held by control: the fan followed")
    result = margin(heating=(held,))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "held by control" in result.why


def wide(**more: Any) -> Heating:
    """A load a little cooler than the other, whose end is hardly known: 60 °C to 90 °C."""
    end = {"steady_celsius": 74.5, "steady_low": 60.0, "steady_high": 90.0}
    return heating(**{"load": "wide", **end, **more})


@pytest.mark.parametrize("fits", [(heating(), wide()), (wide(), heating()), (wide(),)])
def test_a_cooler_load_whose_end_is_hardly_known_is_not_hidden(fits: tuple[Heating, ...]) -> None:
    # The limit is 95 °C and 10 K are asked for: 90 °C would be too hot, 74.5 °C would not.
    result = margin(heating=fits)
    assert (result.verdict, result.low, result.high) == (Verdict.INCONCLUSIVE, 5.0, 24.0)
    assert "lasting wide" in result.why


def test_a_load_that_breaks_the_margin_fails_beside_one_that_is_hardly_known() -> None:
    hot = heating(load="hot", steady_celsius=88.0, steady_low=87.0, steady_high=89.0)
    result = margin(heating=(wide(steady_celsius=89.0), hot))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 7.0)


def test_a_readable_channel_that_was_not_fitted_forbids_a_pass() -> None:
    second = channel(peak=70.9)
    second = replace(second, channel=replace(second.channel, key="hwmon:isa:2", name="die 2"))
    both = run_data(channels=(channel(), second))
    result = margin(data=both, heating=(heating(),))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "die 2: no fit shows where its temperature ends" in result.why
    fits = (heating(), heating(channel="hwmon:isa:2"))
    assert margin(data=both, heating=fits).verdict is Verdict.PASS


HELD = heating(load="long", held_by_control=True, reason="held by control: the fan followed")


@pytest.mark.parametrize("fits", [(HELD,), (HELD, heating())])
def test_readings_that_break_the_margin_fail_though_control_held_them(
    fits: tuple[Heating, ...],
) -> None:
    # 71 °C was read, 24 K below the limit.
    result = margin(heating=fits, keys={"at_least_celsius": 30.0})
    assert result.verdict is Verdict.FAIL
    assert margin(heating=fits, keys={"at_least_celsius": 10.0}).verdict is Verdict.INCONCLUSIVE


def test_what_control_held_is_not_carried_over_to_a_hotter_day() -> None:
    keys = {"when": "hot-day", "at_least_celsius": 20.0}
    # 71 °C and 15 K more would break the margin, but no controller need let it come to that.
    result = margin(heating=(HELD,), room=Room(20.0, 35.0), keys=keys)
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    broken = {**keys, "at_least_celsius": 30.0}
    assert margin(heating=(HELD,), room=Room(20.0, 35.0), keys=broken).measured == 24.0


def test_no_margin_without_a_limit() -> None:
    assert margin(stop_above_celsius=None).measured is None
