"""What the terminal says of what happens: one line for each thing, said once."""

from __future__ import annotations

from dataclasses import replace

from harness.cli.live import describe
from harness.results import Event, EventKind, SafetyStop

STOP = SafetyStop("Tdie", 95.5, 95.0, "°C", 61.0, "the maker's")


def test_a_stop_by_the_guard_is_told_once_with_value_limit_and_whose() -> None:
    told = describe(STOP, {})
    assert told == (
        "[0:01:01.0] STOPPED BY THE GUARD: Tdie reached 95.5 °C, limit 95 °C (the maker's)"
    )


def test_how_long_the_lanes_took_is_told_when_it_is_known() -> None:
    told = describe(replace(STOP, reaction_seconds=0.0321), {})
    assert told == "[0:01:01.0] load off on every lane 32.1 ms later"


def test_a_counted_slow_down_that_is_no_error_is_not_called_one() -> None:
    told = describe(Event(EventKind.COUNTED, 5.0, "power cap: 1 more, 1 since the run began"), {})
    assert told == "[0:00:05.0] counted: power cap: 1 more, 1 since the run began"
