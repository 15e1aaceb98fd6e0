"""All channels of a machine: every source asked, roles assigned, names made unique."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Chip, Discovery, DriverLimit, Hint, Source
from harness.sensors.deadline import Answer, call_all
from harness.sensors.external import ExternalCommand
from harness.sensors.keys import make_key, with_unique_names
from harness.sensors.roles import assign_roles

#: Every source is given this long to find its chips.
DISCOVERY_SECONDS = 8.0
#: More channels than the largest servers have; the rest is left out, and said to be.
MOST_CHANNELS = 8_000


@dataclass(frozen=True)
class CatalogueOptions:
    """What a profile and the command line say about sensors.

    `nvml` None means: only where the root is the running machine's own.
    """

    role_overrides: Mapping[str, str] = field(default_factory=dict)
    external: tuple[ExternalCommand, ...] = ()
    allow_external: bool = False
    nvml: bool | None = None
    clock_probe: bool = False
    cpus: tuple[int, ...] = ()


@dataclass(frozen=True)
class Catalogue:
    """What was found. `channels` are the chips' channels with roles, in the chips' order."""

    chips: tuple[Chip, ...]
    channels: tuple[Channel, ...]
    absent: tuple[Channel, ...]
    limits: tuple[DriverLimit, ...]
    hints: tuple[Hint, ...]

    @property
    def everything(self) -> tuple[Channel, ...]:
        """Present and absent channels."""
        return self.channels + self.absent

    def close(self) -> None:
        """Give back what the chips hold. Only where no thread reads them."""
        for chip in self.chips:
            chip.close()


def sources(root: Path, options: CatalogueOptions) -> list[Source]:
    """Every kind of sensor access, in the order in which channels are listed."""
    from harness.sensors.clock_source import ClockProbeSource
    from harness.sensors.cpufreq import CpufreqSource
    from harness.sensors.external import ExternalSource
    from harness.sensors.hardware_errors import HardwareErrorsSource
    from harness.sensors.hwmon import HwmonSource
    from harness.sensors.kernel_log import KernelLogSource
    from harness.sensors.nvml import NvmlSource
    from harness.sensors.powercap import PowercapSource
    from harness.sensors.pressure import PressureSource
    from harness.sensors.system import SystemSource
    from harness.sensors.thermal import ThermalSource
    from harness.sensors.throttle import ThrottleSource

    found: list[Source] = [
        HwmonSource(),
        ThermalSource(),
        CpufreqSource(),
        PowercapSource(),
        ThrottleSource(),
        HardwareErrorsSource(),
        KernelLogSource(),
        SystemSource(),
        PressureSource(),
    ]
    if is_own_root(root) if options.nvml is None else options.nvml:
        found.append(NvmlSource())
    if options.clock_probe:
        found.append(ClockProbeSource(options.cpus))
    if options.external:
        found.append(ExternalSource(options.external, options.allow_external))
    return found


def is_own_root(root: Path) -> bool:
    """True when `root` is the running machine's own root, not a tree made to stand for another."""
    return root == Path(root.anchor) and root.is_absolute()


def discover(root: Path, options: CatalogueOptions | None = None) -> Catalogue:
    """Ask every source for its chips below `root`, within :data:`DISCOVERY_SECONDS`.

    Raises UsageError when a role override cannot be followed.
    """
    options = options or CatalogueOptions()
    root = root.absolute()
    listed = sources(root, options)
    answers = call_all([partial(it.discover, root) for it in listed], DISCOVERY_SECONDS)
    found = [_settle(*pair) for pair in zip(listed, answers, strict=True)]
    chips, left_out = _bounded([chip for part in found for chip in part.chips])
    channels, unused = assign_roles(
        with_unique_names(channel for chip in chips for channel in chip.channels),
        options.role_overrides,
    )
    return Catalogue(
        chips=tuple(chips),
        channels=tuple(channels),
        absent=tuple(_explained(channel) for part in found for channel in part.absent),
        limits=tuple(limit for part in found for limit in part.limits),
        hints=tuple(hint for part in found for hint in part.hints) + _hints(unused, left_out),
    )


def _settle(source: Source, answer: Answer[Discovery]) -> Discovery:
    if answer.value is not None:
        return answer.value
    why = f"the source did not answer within {DISCOVERY_SECONDS:g} s"
    if isinstance(answer.error, OSError):
        why = f"the source failed: {answer.error}"
    elif answer.error is not None:
        raise answer.error
    key = make_key(source.name, "", source.name, "")
    return Discovery(absent=(Channel(key, source.name, "", source.name, absent_reason=why),))


def _bounded(chips: Sequence[Chip]) -> tuple[list[Chip], int]:
    kept: list[Chip] = []
    channels = 0
    for chip in chips:
        if channels + len(chip.channels) <= MOST_CHANNELS:
            kept.append(chip)
            channels += len(chip.channels)
        else:
            chip.close()
    return kept, sum(len(chip.channels) for chip in chips) - channels


def _explained(channel: Channel) -> Channel:
    """An absent channel keeps the role it would have had, so that a report can say what lacks."""
    return assign_roles([channel])[0][0] if channel.unit else replace(channel, role="")


def _hints(unused: Sequence[str], left_out: int) -> tuple[Hint, ...]:
    hints = [
        Hint(
            "roles", f"the role given to '{pattern}' was not used: no channel has that key or name"
        )
        for pattern in unused
    ]
    if left_out:
        hints.append(Hint("catalogue", f"{left_out} channels beyond {MOST_CHANNELS} are not read"))
    return tuple(hints)
