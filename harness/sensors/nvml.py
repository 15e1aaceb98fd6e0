"""Accelerators of one maker through NVML (extra ``nvml``; imported late).

Source: the NVML API reference manual; the Python binding is nvidia-ml-py. A value that a part
does not give answers NVML_ERROR_NOT_SUPPORTED; such a channel is left out with that reason at the
start. A channel is keyed on the PCI address: it reveals no serial number.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from harness.results import Channel
from harness.sensors.contract import Discovery, Hint, Reading
from harness.sensors.files import visible
from harness.sensors.keys import make_key
from harness.sensors.plausibility import doubt

_MOST_DEVICES = 64
_MHZ = 1e6


@dataclass(frozen=True)
class Quantity:
    """One value of a device: how it is asked for and what it is."""

    item: str
    label: str
    unit: str
    name: str
    ask: Callable[[ModuleType, Any], float]
    counter: bool = False


def _ecc(kind: str) -> Callable[[ModuleType, Any], float]:
    def ask(nvml: ModuleType, device: Any) -> float:
        error = getattr(nvml, f"NVML_MEMORY_ERROR_TYPE_{kind}")
        return float(nvml.nvmlDeviceGetTotalEccErrors(device, error, nvml.NVML_VOLATILE_ECC))

    return ask


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("temperature", "gpu", "°C", "temperature",
             lambda n, d: n.nvmlDeviceGetTemperature(d, n.NVML_TEMPERATURE_GPU)),
    Quantity("power", "board", "W", "power", lambda n, d: n.nvmlDeviceGetPowerUsage(d) / 1e3),
    Quantity("clock", "processors", "Hz", "processor clock",
             lambda n, d: n.nvmlDeviceGetClockInfo(d, n.NVML_CLOCK_SM) * _MHZ),
    Quantity("clock", "memory", "Hz", "memory clock",
             lambda n, d: n.nvmlDeviceGetClockInfo(d, n.NVML_CLOCK_MEM) * _MHZ),
    Quantity("busy", "processors", "%", "time in use",
             lambda n, d: n.nvmlDeviceGetUtilizationRates(d).gpu),
    Quantity("memory", "used", "B", "memory in use",
             lambda n, d: n.nvmlDeviceGetMemoryInfo(d).used),
    Quantity("fan", "", "%", "fan setting", lambda n, d: n.nvmlDeviceGetFanSpeed(d)),
    Quantity("ecc", "ecc corrected", "count", "corrected memory errors", _ecc("CORRECTED"), True),
    Quantity("ecc", "ecc uncorrected", "count", "uncorrected memory errors",
             _ecc("UNCORRECTED"), True),
)  # fmt: skip

#: Bits of the reasons why clocks are low (NVML reference, nvmlClocksEventReasons), in words.
#: Idle (bit 0) and clocks chosen by somebody (bit 1) are no throttling.
THROTTLE_BITS = {
    0x04: "power cap",
    0x08: "hardware slowdown",
    0x20: "heat (software)",
    0x40: "heat (hardware)",
    0x80: "power brake",
}
#: A hardware slowdown (0x08) is the general reason for these two, and is set together with them:
#: one slow-down, told once, by its narrower reason.
_SLOWDOWN, _EXPLAINED_BY = 0x08, 0x40 | 0x80


class NvmlChip:
    """One accelerator; its quantities, and how often each throttling reason has begun.

    The reasons are states; their channels count beginnings as seen at the sampling rate. A reason
    that holds already at the first reading counts as begun at the second, if it still holds then:
    counters speak of a run by their increase, and the run is slowed down by it too.
    """

    period_seconds = 0.0
    shares_thread = False

    def __init__(
        self,
        nvml: ModuleType,
        device: Any,
        name: str,
        quantities: Sequence[Quantity],
        channels: Sequence[Channel],
    ) -> None:
        self.name = name
        self.channels = tuple(channels)
        self._nvml = nvml
        self._device = device
        self._quantities = tuple(quantities)
        self._begun = dict.fromkeys(THROTTLE_BITS, 0)
        #: As last read; None before the first reading.
        self._reasons: int | None = None

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        plain = self.channels[: len(self._quantities)]
        readings = [
            self._ask(channel, quantity)
            for channel, quantity in zip(plain, self._quantities, strict=True)
        ]
        return readings + self._throttling(self.channels[len(plain) :])

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`; the library goes with the process."""

    def _ask(self, channel: Channel, quantity: Quantity) -> Reading:
        try:
            value = float(quantity.ask(self._nvml, self._device))
        except self._nvml.NVMLError as error:
            return Reading(channel.key, None, _reason(error))
        return Reading(channel.key, value, flag=doubt(value, channel.unit))

    def _throttling(self, channels: Sequence[Channel]) -> list[Reading]:
        if not channels:
            return []
        try:
            reasons = current_reasons(self._nvml, self._device)
        except self._nvml.NVMLError as error:
            return [Reading(channel.key, None, _reason(error)) for channel in channels]
        self._count_beginnings(reasons)
        return [
            Reading(channel.key, float(count))
            for channel, count in zip(channels, self._begun.values(), strict=True)
        ]

    def _count_beginnings(self, reasons: int) -> None:
        if self._reasons is None:
            self._reasons = 0
            return
        begun = reasons & ~self._reasons
        if reasons & _EXPLAINED_BY:
            begun &= ~_SLOWDOWN
        self._reasons = reasons
        for bit in THROTTLE_BITS:
            self._begun[bit] += bool(begun & bit)


class NvmlSource:
    """Every accelerator NVML lists."""

    name = "nvml"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        try:
            import pynvml
        except ImportError:
            hint = Hint("nvml", "accelerators of one maker: pip install 'rigproof[nvml]'")
            why = "the extra nvml is not installed"
            return Discovery(absent=(_absent(why),), hints=(hint,))
        return discover_with(pynvml)


def discover_with(nvml: ModuleType) -> Discovery:
    """Find the devices through a binding (the real one, or a recorded exchange)."""
    try:
        nvml.nvmlInit()
        count = nvml.nvmlDeviceGetCount()
    except nvml.NVMLError as error:
        return Discovery(absent=(_absent(f"no accelerator here: {_reason(error)}"),))
    if count == 0:
        return Discovery(absent=(_absent("NVML lists no accelerator"),))
    parts = [_device(nvml, index) for index in range(min(count, _MOST_DEVICES))]
    return Discovery(
        chips=tuple(chip for part in parts for chip in part.chips),
        absent=tuple(channel for part in parts for channel in part.absent),
    )


def current_reasons(nvml: ModuleType, device: Any) -> int:
    """The bit field of reasons; newer libraries have another name for the same question."""
    ask = getattr(nvml, "nvmlDeviceGetCurrentClocksEventReasons", None)
    if ask is None:
        ask = nvml.nvmlDeviceGetCurrentClocksThrottleReasons
    return int(ask(device))


def _device(nvml: ModuleType, index: int) -> Discovery:
    try:
        device = nvml.nvmlDeviceGetHandleByIndex(index)
        address = _text(nvml.nvmlDeviceGetPciInfo(device).busId)
        model = _text(nvml.nvmlDeviceGetName(device))
    except nvml.NVMLError as error:
        return Discovery(absent=(_absent(f"device {index}: {_reason(error)}"),))
    given: list[Quantity] = []
    absent: list[Channel] = []
    for quantity in QUANTITIES:
        why = _refusal(nvml, lambda it=quantity: it.ask(nvml, device))  # type: ignore[misc]
        if why:
            absent.append(_channel(address, model, quantity, why))
        else:
            given.append(quantity)
    channels = [_channel(address, model, quantity) for quantity in given]
    if not _refusal(nvml, lambda: current_reasons(nvml, device)):
        channels += [_throttle_channel(address, model, text) for text in THROTTLE_BITS.values()]
    chip = NvmlChip(nvml, device, f"{visible(model)} at {address}", given, channels)
    return Discovery(chips=(chip,), absent=tuple(absent))


def _refusal(nvml: ModuleType, ask: Callable[[], Any]) -> str:
    """Why a question is not answered, or nothing when it is."""
    try:
        ask()
    except nvml.NVMLError as error:
        return _reason(error)
    except AttributeError as error:
        return f"the installed binding does not know it: {error}"
    return ""


def _reason(error: Exception) -> str:
    return visible(f"NVML: {error}", 160)


def _text(given: str | bytes) -> str:
    return given.decode("utf-8", "replace") if isinstance(given, bytes) else given


def _channel(address: str, model: str, quantity: Quantity, absent_reason: str = "") -> Channel:
    return Channel(
        key=make_key("nvml", address, model, quantity.item, quantity.label),
        name=visible(f"{model} {quantity.name}"),
        unit=quantity.unit,
        source="nvml",
        counter=quantity.counter,
        absent_reason=absent_reason,
    )


def _throttle_channel(address: str, model: str, text: str) -> Channel:
    return Channel(
        key=make_key("nvml", address, model, "throttled", f"throttle {text}"),
        name=visible(f"{model} slowed down: {text}"),
        unit="count",
        source="nvml",
        counter=True,
    )


def _absent(reason: str) -> Channel:
    return Channel(
        key=make_key("nvml", "", "nvml", "temperature", "gpu"),
        name="accelerator",
        unit="",
        source="nvml",
        absent_reason=reason,
    )
