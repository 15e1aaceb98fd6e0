"""The measured clock as sensor channels: each CPU's chain for a moment, on a tiny fixed duty."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, Reading
from harness.sensors.files import describe
from harness.sensors.keys import make_key

#: Once a second and about 0.1 ms long: one ten-thousandth of a core.
_PERIOD_SECONDS = 1.0
_CYCLES = 200_000
#: Windows that differ by more than this were disturbed: the value may be too low.
_DISTURBED_SPREAD = 0.05


class ClockProbeChip:
    """Visits one CPU after another; its thread is moved, the load's are not."""

    name = "measured clock"
    period_seconds = _PERIOD_SECONDS
    shares_thread = False

    def __init__(self, cpus: Sequence[int], absolute: bool) -> None:
        self._cpus = tuple(cpus)
        self.channels = tuple(_channel(cpu, absolute) for cpu in cpus)

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        return [
            _measure(channel, cpu) for channel, cpu in zip(self.channels, self._cpus, strict=True)
        ]

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`; nothing is kept open."""


def _measure(channel: Channel, cpu: int) -> Reading:
    from harness.sensors.clock_probe import measure_clock

    try:
        os.sched_setaffinity(0, {cpu})  # of the calling thread only
    except OSError as error:
        return Reading(channel.key, None, f"cannot run on CPU {cpu}: {describe(error)}")
    measured = measure_clock(_CYCLES)
    disturbed = measured.spread > _DISTURBED_SPREAD
    flag = f"disturbed: windows differ by {measured.spread:.0%}" if disturbed else ""
    return Reading(channel.key, measured.hz, flag=flag)


class ClockProbeSource:
    """The probe, where threads can be pinned."""

    name = "clock probe"

    def __init__(self, cpus: Sequence[int]) -> None:
        self._cpus = tuple(cpus)

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        from harness.errors import BrokenEnvironment
        from harness.sensors.clock_probe import chain_for_this_machine, warm_up

        if not hasattr(os, "sched_setaffinity"):
            return Discovery(absent=(_channel(None, True, "this system cannot pin a thread"),))
        cpus = self._cpus or tuple(sorted(os.sched_getaffinity(0)))
        try:
            warm_up()
        except (BrokenEnvironment, ImportError) as error:
            return Discovery(absent=(_channel(None, True, str(error)),))
        return Discovery(chips=(ClockProbeChip(cpus, chain_for_this_machine().absolute),))


def _channel(cpu: int | None, absolute: bool, absent_reason: str = "") -> Channel:
    which = "CPU clock" if cpu is None else f"CPU {cpu} clock"
    return Channel(
        key=make_key(
            "clock probe",
            "" if cpu is None else f"cpu{cpu}",
            "chain",
            "clock",
            "cycles" if absolute else "relative",
        ),
        name=f"{which} ({'measured' if absolute else 'relative'})",
        unit="Hz",
        source="clock probe",
        cpu=cpu,
        absent_reason=absent_reason,
    )
