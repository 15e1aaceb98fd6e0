"""Accelerators, against a recorded exchange.

The answers follow the NVML reference's types and units; names and numbers are invented. What a
real accelerator answers is exercised by hand (see the bench folder), not here.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from harness.results import Channel
from harness.sensors.contract import Chip, Reading
from harness.sensors.nvml import NvmlSource, discover_with
from harness.sensors.roles import assign_roles
from harness.sensors.watches import CounterWatch

ADDRESS = "00000000:3B:00.0"


class NVMLError(Exception):
    """The binding's own error."""


class Recorded(ModuleType):
    """A binding that answers from a table; an exception in the table is raised."""

    NVMLError = NVMLError
    NVML_TEMPERATURE_GPU = 0
    NVML_CLOCK_SM = 1
    NVML_CLOCK_MEM = 2
    NVML_MEMORY_ERROR_TYPE_CORRECTED = 0
    NVML_MEMORY_ERROR_TYPE_UNCORRECTED = 1
    NVML_VOLATILE_ECC = 0

    def __init__(self) -> None:
        super().__init__("pynvml")
        self.answers: dict[str, Any] = {
            "nvmlInit": None,
            "nvmlDeviceGetCount": 1,
            "nvmlDeviceGetHandleByIndex": "handle",
            "nvmlDeviceGetPciInfo": SimpleNamespace(busId=ADDRESS.encode()),
            "nvmlDeviceGetName": b"An Accelerator",
            "nvmlDeviceGetTemperature": 61,
            "nvmlDeviceGetPowerUsage": 312_500,
            "nvmlDeviceGetClockInfo": 1980,
            "nvmlDeviceGetUtilizationRates": SimpleNamespace(gpu=97, memory=40),
            "nvmlDeviceGetMemoryInfo": SimpleNamespace(used=2**30),
            "nvmlDeviceGetFanSpeed": NVMLError("Not Supported"),
            "nvmlDeviceGetTotalEccErrors": 0,
            "nvmlDeviceGetCurrentClocksEventReasons": 0,
        }

    def __getattr__(self, name: str) -> Any:
        if name not in self.__dict__.get("answers", {}):
            raise AttributeError(name)

        def answer(*_: object) -> Any:
            value = self.answers[name]
            if isinstance(value, Exception):
                raise value
            return value

        return answer


@pytest.fixture
def nvml() -> Recorded:
    return Recorded()


def _read(chip: Chip, channels: tuple[Channel, ...]) -> dict[str, Reading]:
    names = {it.key: it.name.removeprefix("An Accelerator ") for it in channels}
    return {names[it.channel]: it for it in chip.read(1.0)}


def test_values_come_in_the_harness_units(nvml: Recorded) -> None:
    (chip,) = discover_with(nvml).chips
    values = {name: it.value for name, it in _read(chip, tuple(chip.channels)).items()}
    assert values["temperature"] == 61.0
    assert values["power"] == 312.5
    assert values["processor clock"] == 1.98e9
    assert values["time in use"] == 97.0
    assert values["memory in use"] == 2.0**30
    assert values["corrected memory errors"] == 0.0


def test_what_a_part_does_not_give_is_absent_with_the_librarys_reason(nvml: Recorded) -> None:
    (absent,) = discover_with(nvml).absent
    assert absent.name == "An Accelerator fan setting"
    assert absent.absent_reason == "NVML: Not Supported"


def test_keys_hold_the_address_and_no_serial_number(nvml: Recorded) -> None:
    (chip,) = discover_with(nvml).chips
    assert all(ADDRESS in channel.key for channel in chip.channels)


def test_roles_are_those_of_an_accelerator(nvml: Recorded) -> None:
    (chip,) = discover_with(nvml).chips
    assigned = assign_roles(tuple(chip.channels))[0]
    roles = {it.name.removeprefix("An Accelerator "): it.role for it in assigned}
    assert roles["temperature"] == "gpu_temperature"
    assert roles["power"] == "gpu_power"
    assert roles["processor clock"] == "gpu_clock"
    assert roles["memory clock"] == ""
    assert roles["slowed down: heat (hardware)"] == "throttle_count"
    assert roles["slowed down: power cap"] == ""
    assert roles["uncorrected memory errors"] == "hardware_errors"


def _counts(
    nvml: Recorded,
    course: Sequence[int],
    question: str = "nvmlDeviceGetCurrentClocksEventReasons",
) -> list[dict[str, float | None]]:
    """What the counters of slow-downs show, by reason, when the reasons take this course."""
    (chip,) = discover_with(nvml).chips
    counts = []
    for reasons in course:
        nvml.answers[question] = reasons
        read = _read(chip, tuple(chip.channels))
        prefix = "slowed down: "
        counts.append(
            {name.removeprefix(prefix): it.value for name, it in read.items() if prefix in name}
        )
    return counts


def _heat_counts(nvml: Recorded, course: Sequence[int], *question: str) -> list[float | None]:
    return [counts["heat (hardware)"] for counts in _counts(nvml, course, *question)]


def test_each_beginning_of_a_throttling_reason_is_counted_once(nvml: Recorded) -> None:
    assert _heat_counts(nvml, (0, 0x40, 0x40, 0, 0x44, 0x01)) == [0.0, 1.0, 1.0, 1.0, 2.0, 2.0]


def test_a_reason_that_held_from_the_first_reading_on_is_an_increase(nvml: Recorded) -> None:
    assert _heat_counts(nvml, (0x40, 0x40, 0x40)) == [0.0, 1.0, 1.0]
    # Over before the second reading: nothing of the run was slowed down by it.
    assert _heat_counts(nvml, (0x40, 0, 0)) == [0.0, 0.0, 0.0]


def test_the_first_reading_is_the_first_that_the_device_answers(nvml: Recorded) -> None:
    course = (NVMLError("Unknown Error"), 0x40, 0x40)
    assert _heat_counts(nvml, course) == [None, 0.0, 1.0]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("course", "told"),
    [
        ((0, 0x48, 0x48), {"heat (hardware)": 1.0}),
        ((0, 0x88, 0x88), {"power brake": 1.0}),
        ((0, 0x08, 0x08), {"hardware slowdown": 1.0}),
        # Its narrower reason goes first: the same slow-down goes on.
        ((0, 0x48, 0x08), {"heat (hardware)": 1.0}),
        ((0x48, 0x48, 0), {"heat (hardware)": 1.0}),
        ((0, 0x28, 0x28), {"hardware slowdown": 1.0, "heat (software)": 1.0}),
    ],
)
def test_one_slow_down_of_the_hardware_is_counted_once_by_its_narrowest_reason(
    nvml: Recorded, course: Sequence[int], told: dict[str, float]
) -> None:
    assert {name: it for name, it in _counts(nvml, course)[-1].items() if it} == told


def test_an_ecc_error_under_load_is_an_event(nvml: Recorded) -> None:
    (chip,) = discover_with(nvml).chips
    channels = assign_roles(chip.channels)[0]
    watch = CounterWatch(channels)
    events = []
    for errors in (2, 3):
        nvml.answers["nvmlDeviceGetTotalEccErrors"] = errors
        events += [watch.see(it, 1.0, {}) for it in chip.read(1.0)]
    texts = [event.text for event in events if event is not None]
    assert len(texts) == 2
    assert "corrected memory errors: 1 more" in texts[0]


def test_a_device_that_is_lost_mid_run_gives_missing_values_with_the_reason(nvml: Recorded) -> None:
    (chip,) = discover_with(nvml).chips
    for name in list(nvml.answers):
        nvml.answers[name] = NVMLError("GPU is lost")
    readings = chip.read(2.0)
    assert len(readings) == len(chip.channels)
    assert {it.reason for it in readings} == {"NVML: GPU is lost"}


def test_older_bindings_are_asked_by_the_older_name(nvml: Recorded) -> None:
    del nvml.answers["nvmlDeviceGetCurrentClocksEventReasons"]
    nvml.answers["nvmlDeviceGetCurrentClocksThrottleReasons"] = 0x40
    assert _heat_counts(nvml, [0, 0x40], "nvmlDeviceGetCurrentClocksThrottleReasons") == [0.0, 1.0]


@pytest.mark.parametrize("question", ["nvmlInit", "nvmlDeviceGetCount"])
def test_a_machine_without_accelerator_says_so(nvml: Recorded, question: str) -> None:
    nvml.answers[question] = NVMLError("NVML Shared Library Not Found")
    found = discover_with(nvml)
    assert found.chips == ()
    assert "no accelerator here" in found.absent[0].absent_reason


def test_without_the_extra_its_installation_is_hinted_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pynvml", None)
    found = NvmlSource().discover(tmp_path)
    assert "rigproof[nvml]" in found.hints[0].text
    assert found.absent[0].absent_reason == "the extra nvml is not installed"
