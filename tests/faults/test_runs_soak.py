"""A long soak of a machine with a hundred sensor channels read ten times a second: the memory of
the run's processes stays what it is, and the record's growth an hour is told.

Oracle: the resident memory that /proc shows over the whole time. RIGPROOF_SOAK_MINUTES says how
long (`make faults`: 30).
"""

from __future__ import annotations

import os
import random
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import pytest

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.outcome import ExitCode
from harness.record.database import RECORD_NAME
from harness.results import EventKind
from tests.faults.rigs import SOAK, Command, Rig, machine_of
from tests.sysfs_trees import Tree

MINUTES = float(os.environ.get("RIGPROOF_SOAK_MINUTES", "0"))
CHIPS, CHANNELS_A_CHIP = 10, 10
RATE_HZ = 10.0
POINTS = 240
#: Interpreters give memory back in pieces; growth beyond this is a leak.
MOST_GROWTH_BYTES = 2 << 20


@dataclass
class Curve:
    """Resident bytes of some processes over time."""

    seconds: list[float] = field(default_factory=list)
    resident: dict[str, list[int]] = field(default_factory=dict)

    def add(self, at_seconds: float, now: dict[str, int]) -> None:
        self.seconds.append(at_seconds)
        for name, value in now.items():
            self.resident.setdefault(name, []).append(value)

    def growth_bytes(self, name: str) -> float:
        """From the second quarter's median to the last quarter's."""
        values = self.resident[name]
        quarter = len(values) // 4
        return median(values[-quarter:]) - median(values[quarter : 2 * quarter])

    def table(self) -> str:
        names = list(self.resident)
        rows = [f"{'seconds':>8} " + " ".join(f"{name + ' MiB':>14}" for name in names)]
        for index in range(0, len(self.seconds), max(len(self.seconds) // 12, 1)):
            cells = (f"{self.resident[name][index] / 2**20:14.2f}" for name in names)
            rows.append(f"{self.seconds[index]:8.0f} " + " ".join(cells))
        return "\n".join(rows)


def resident_bytes(pid: int) -> int:
    """Second field of /proc/PID/statm (proc(5)), in pages."""
    pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


class Weather(threading.Thread):
    """Changes every channel of the tree as often as it is read: a random walk in tenths of K."""

    def __init__(self, root: Path) -> None:
        super().__init__(daemon=True)
        self._files = [
            os.open(path, os.O_WRONLY)
            for path in sorted(root.rglob("temp*_input"))
            if path.is_file()
        ]
        self._chance = random.Random(1)
        self._values = [40_000] * len(self._files)
        self.over = threading.Event()

    def run(self) -> None:
        while not self.over.wait(1 / RATE_HZ):
            for place, descriptor in enumerate(self._files):
                self._values[place] += self._chance.choice((-100, 0, 100))
                os.pwrite(descriptor, f"{self._values[place]}\n".encode(), 0)

    def stop(self) -> None:
        self.over.set()
        self.join()
        for descriptor in self._files:
            os.close(descriptor)


def hundred_channels(root: Path) -> Tree:
    tree = machine_of(root)
    for chip in range(CHIPS):
        inputs = {f"temp{number}_input": 40_000 for number in range(1, CHANNELS_A_CHIP + 1)}
        tree.hwmon(chip, f"platform/chip.{chip}", f"chip{chip}", inputs)
    return tree


def watch(rig: Rig, command: Command) -> Curve:
    """Resident memory of parent and sampler while the load is on."""
    rig.await_load(command)
    roles = rig.roles(command)
    watched = {name: roles[name] for name in ("parent", "sampler", "lane 0")}
    begun, curve = SYSTEM.monotonic_ns(), Curve()
    pause = MINUTES * 60 / POINTS
    while True:
        now = rig.glance()
        if now is not None and any(it.kind is EventKind.LOAD_ENDED for it in now.events):
            return curve
        assert command.popen.poll() is None, command.tail
        at_seconds = (SYSTEM.monotonic_ns() - begun) / NS_PER_SECOND
        curve.add(at_seconds, {name: resident_bytes(pid) for name, pid in watched.items()})
        SYSTEM.sleep(pause)


def test_a_long_soak_keeps_its_memory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    if not MINUTES:
        pytest.skip("takes its time: RIGPROOF_SOAK_MINUTES=30 (or `make faults`) runs it")
    if not Path("/proc/self/statm").exists():
        pytest.skip("resident memory is read from /proc, which only Linux has")
    root = tmp_path / "root"
    hundred_channels(root)
    weather = Weather(root)
    weather.start()
    try:
        with Rig(tmp_path, root) as rig:
            command = rig.run(SOAK.replace("600", f"{MINUTES * 60:g}"))
            curve = watch(rig, command)
            code = command.ended(600.0)
            folder = rig.folder()
            assert folder is not None
            size = (folder / RECORD_NAME).stat().st_size
            data = rig.data()
    finally:
        weather.stop()
    hours = (data.duration_seconds or 0.0) / 3600
    channels = [it for it in data.channels if it.channel.source == "hwmon"]
    with capsys.disabled():
        sys.stdout.write(
            f"\n{curve.table()}\nrecord: {size / 2**20 / hours:.1f} MiB an hour with "
            f"{len(data.channels)} channels at {RATE_HZ:g} Hz over {60 * hours:.1f} min; growth: "
            + ", ".join(f"{it} {curve.growth_bytes(it) / 1024:+.0f} KiB" for it in curve.resident)
            + "\n"
        )
    assert code == ExitCode.PASS, command.tail
    assert len(channels) == CHIPS * CHANNELS_A_CHIP
    assert curve.growth_bytes("parent") < MOST_GROWTH_BYTES
    assert curve.growth_bytes("sampler") < MOST_GROWTH_BYTES
    assert curve.growth_bytes("lane 0") < MOST_GROWTH_BYTES
    assert not [event for event in data.events if event.kind is EventKind.DROPPED]
