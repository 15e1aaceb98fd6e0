"""All criteria by name: a new criterion adds its line here and nothing else."""

from __future__ import annotations

from functools import reduce
from importlib import import_module
from operator import or_
from typing import Any

from harness.criteria.base import CriterionSpec

#: name -> "module:class" below harness.criteria.
CRITERIA: dict[str, str] = {
    "no-failures": "no_failures:NoFailures",
    "no-crash": "no_crash:NoCrash",
    "hardware-errors": "hardware_errors:HardwareErrors",
    "throttling": "throttling:Throttling",
    "temperature-ceiling": "temperature_ceiling:TemperatureCeiling",
    "temperature-margin": "temperature_margin:TemperatureMargin",
    "steady-temperature": "steady_temperature:SteadyTemperature",
    "clock-floor": "clock_floor:ClockFloor",
    "throughput-floor": "throughput_floor:ThroughputFloor",
    "spread-ceiling": "spread_ceiling:SpreadCeiling",
    "minimum-soak": "minimum_soak:MinimumSoak",
    "error-rate": "error_rate:ErrorRate",
    "test-plan": "demonstration:DemonstrationTest",
    "sensor-coverage": "sensor_coverage:SensorCoverage",
    "disturbance-share": "disturbance_share:DisturbanceShare",
    "not-slower": "not_slower:NotSlower",
}


def names() -> list[str]:
    """All criterion names, in the order of the registry."""
    return list(CRITERIA)


def find(name: str) -> type[CriterionSpec]:
    """The criterion called `name`. Raises KeyError for an unknown name."""
    module, _, kind = CRITERIA[name].partition(":")
    found: type[CriterionSpec] = getattr(import_module(f"harness.criteria.{module}"), kind)
    return found


def specs() -> Any:
    """The union of all criteria, told apart by their key `criterion`."""
    return reduce(or_, (find(name) for name in CRITERIA))
