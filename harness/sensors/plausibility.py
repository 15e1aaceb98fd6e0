"""Which values cannot be true, by stated rules: such values are kept, flagged, and not judged.

The rules and where they come from:

* Temperatures of 127, 127.5 or 127.996 °C and of -128 °C are the largest and smallest codes of
  common 8-bit and 11-bit converters and are what an open or shorted diode reads (drivers of such
  parts, e.g. lm90 and lm75 in the kernel's hwmon documentation); 255 °C is the all-ones code.
* 0 °C exactly is what many drivers give for an input that is not there or has failed (seen in the
  field), and what a machine outdoors or under sub-ambient cooling may well have. A temperature
  comes to 0 from nearby, and cold is a matter of place: a 0 is true when the input's own last
  other value lay within 20 K of it, or when another input of the chip lies within 10 K of it (both
  common practice, no source; a die moves by tens of kelvin only between a load and none). A 0 that
  was there from the start beside warmer inputs, or that a warm input falls to, is doubted for as
  long as it lasts. Programs and accelerators, which have no such drivers, are not doubted for it.
* Nothing is colder than -273.15 °C (SI); silicon sensors are specified to about 150 °C at most
  (common practice, no source), so anything above 150 °C is no temperature of this machine.
* A fan at 65,535 RPM is the all-ones code of a 16-bit counter; nothing in a computer turns faster
  than 40,000 RPM (common practice, no source).
* Bounds of the other quantities are far outside of any computer (common practice, no source).
* All channels of one kind of a chip at once at zero or at full scale are a dead bus, not a state
  (seen in the field), unless it is a 0 °C to which each of them came from nearby.

A negative temperature is possible under sub-ambient cooling and is left alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from harness.sensors.contract import Reading
from harness.sweeps import IMPLAUSIBLE

REPEAT = "repeat"

_ABSOLUTE_ZERO_CELSIUS = -273.15
#: Unit to the smallest and largest value that can be true, in that unit.
BOUNDS: Mapping[str, tuple[float, float]] = {
    "°C": (_ABSOLUTE_ZERO_CELSIUS, 150.0),
    "RPM": (0.0, 40_000.0),
    "V": (-100.0, 500.0),
    "A": (-5_000.0, 5_000.0),
    "W": (-20_000.0, 20_000.0),
    "Hz": (0.0, 20e9),
    "J": (0.0, math.inf),
    "B": (0.0, math.inf),
}
#: Unit to the codes that converters give when nothing is connected.
CODES: Mapping[str, frozenset[float]] = {
    "°C": frozenset({127.0, 127.5, 127.75, 127.875, 127.996, -128.0, 255.0, -273.15}),
    "RPM": frozenset({65_535.0}),
}
#: From how far a temperature may come to exactly 0 °C, and how near another input must be to it.
_OWN_WAY_TO_ZERO_KELVIN = 20.0
_OTHERS_NEAR_ZERO_KELVIN = 10.0
#: Fewer channels than this at zero or full scale at once may be a coincidence.
_FEWEST_OF_A_DEAD_BUS = 3


def doubt(value: float, unit: str) -> str:
    """Why `value` in `unit` cannot be true, as a flag; empty when it can."""
    if not math.isfinite(value):
        return f"{IMPLAUSIBLE}: not a finite number"
    if value in CODES.get(unit, ()):
        return f"{IMPLAUSIBLE}: {value:g} {unit} is the code of an input with nothing connected"
    low, high = BOUNDS.get(unit, (-math.inf, math.inf))
    if low <= value <= high:
        return ""
    return f"{IMPLAUSIBLE}: {value:g} {unit} is outside {low:g} to {high:g} {unit}"


class ZeroWatch:
    """Tells the temperature 0 °C from the 0 of an input that is not there; one chip's memory."""

    def __init__(self, units: Sequence[str]) -> None:
        self._places = [place for place, unit in enumerate(units) if unit == "°C"]
        #: Place to the input's last true value that was not 0.
        self._others: dict[int, float] = {}

    def doubt(self, readings: list[Reading]) -> list[Reading]:
        """Flag the zeros among one sweep's `readings` that are no temperature."""
        values = {
            place: value
            for place in self._places
            if (value := readings[place].value) is not None and not readings[place].flag
        }
        self._others.update({place: value for place, value in values.items() if value})
        cold = any(0 < abs(it) <= _OTHERS_NEAR_ZERO_KELVIN for it in values.values())
        for place in [place for place, value in values.items() if not value]:
            if not cold and not self._came_from_nearby(place):
                readings[place] = replace(readings[place], flag=_NOTHING_CONNECTED)
        return readings

    def _came_from_nearby(self, place: int) -> bool:
        return abs(self._others.get(place, math.inf)) <= _OWN_WAY_TO_ZERO_KELVIN


_NOTHING_CONNECTED = (
    f"{IMPLAUSIBLE}: exactly 0 °C with nothing near it is an input with nothing connected"
)


def inputs_that_may_die_together(units: Sequence[str]) -> dict[str, list[int]]:
    """Places of a chip's inputs by unit, where there are enough of them to tell.

    Fans may all stand still, and a counter may well be zero, so only temperatures and voltages
    count.
    """
    groups = {
        unit: [place for place, its in enumerate(units) if its == unit] for unit in ("°C", "V")
    }
    return {unit: it for unit, it in groups.items() if len(it) >= _FEWEST_OF_A_DEAD_BUS}


def doubt_whole_chip(readings: list[Reading], groups: Mapping[str, Sequence[int]]) -> list[Reading]:
    """Flag the inputs of each group that are all zero or all at a converter's end of scale.

    `groups` is what :func:`inputs_that_may_die_together` gave for the chip; zeros in °C have been
    looked at by :class:`ZeroWatch`.
    """
    for unit, places in groups.items():
        first = readings[places[0]].value
        if first is None or not _is_end(first, unit):
            continue
        truly_cold = unit == "°C" and not any(readings[place].flag for place in places)
        if all(readings[place].value == first for place in places) and not truly_cold:
            for place in places:
                readings[place] = replace(readings[place], flag=_dead_bus(unit, len(places)))
    return readings


def _is_end(value: float, unit: str) -> bool:
    return value == 0.0 or value in CODES.get(unit, ())


def _dead_bus(unit: str, count: int) -> str:
    return f"{IMPLAUSIBLE}: all {count} inputs in {unit} read the same end of scale at once"
