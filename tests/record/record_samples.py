"""Invented runs for the record's tests."""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from harness.clock import ManualClock
from harness.outcome import Ending
from harness.record.header import RunHeader
from harness.record.owner import Owner
from harness.record.writer import RecordWriter
from harness.results import (
    Boot,
    Channel,
    Event,
    EventKind,
    Failure,
    FailureKind,
    LaneTrial,
    LoadInfo,
    SafetyStop,
    Sample,
    SoakData,
    TrialData,
)
from tests.packing import packed

RUN_ID = "20260921T141320Z-sample-0a1b"
BOOT_ID = "boot-a"
OWNER = Owner(4_000_000, "ticks 1", BOOT_ID, ("rigproof", "run", "sample.yaml"), "/dev/pts/9")
HOT = Channel("hwmon:x:temp1", "CPU", "°C", "hwmon", "cpu_temperature", "its own sensor")
CLOCK = Channel("probe:0", "core 0", "Hz", "clock probe", "core_clock", cpu=0)
ABSENT = Channel("powercap:pkg", "package", "W", "powercap", absent_reason="mode 0400")


def header(**changes: Any) -> RunHeader:
    text = "name: sample\n"
    made = RunHeader(
        run_id=RUN_ID,
        created_wall_ns=1_790_000_000_000_000_000,
        utc_offset_minutes=120,
        boot_id=BOOT_ID,
        profile_text=text,
        profile_name="sample",
        profile_sha256=hashlib.sha256(text.encode()).hexdigest(),
        settings={"memory_speed": "6000 MT/s"},
        facts={"firmware": "F12", "cpus": 2, "mitigations": ["a", "b"], "nothing": None},
        versions={"rigproof": "0.1.0"},
        context={"looks": 1},
        partial=False,
        owner=OWNER,
        cold=True,
    )
    return replace(made, **changes)


def lane(number: int = 0, **changes: Any) -> LaneTrial:
    made = LaneTrial(
        lane=number,
        cpu=number,
        passes=40,
        work=4.0e9,
        seconds=1.25,
        pass_mean_seconds=0.03125,
        pass_p10_seconds=0.031,
        verified=40,
        run_delay_seconds=0.001,
        involuntary_switches=3,
        major_faults=0,
        clock_hz=3.65e9,
        readings={"residual": 1.5e-13},
    )
    return replace(made, **changes)


def trial(number: int = 1, **changes: Any) -> TrialData:
    made = TrialData(
        number=number,
        round=1,
        load=0,
        workload="dense",
        boot=1,
        started_seconds=float(number),
        ended_seconds=number + 0.75,
        lanes=(lane(0), lane(1)),
        rate=6.4e9,
        capability_rate=6.5e9,
        causes=("run delay 12 %",),
        valid=True,
    )
    return replace(made, **changes)


def soak(number: int = 1, **changes: Any) -> SoakData:
    made = SoakData(
        number=number,
        load=1,
        workload="dense",
        pattern="all-lanes",
        boot=1,
        started_seconds=10.0,
        ended_seconds=40.0,
        lanes=(lane(0),),
        step_skew_seconds=(0.001, 0.004),
        complete=True,
        rate_points=((12.0, 6.4e9), (14.0, 6.3e9)),
    )
    return replace(made, **changes)


def load(number: int = 0, **changes: Any) -> LoadInfo:
    made = LoadInfo(
        number=number,
        name="dense all",
        workload="dense",
        workload_version=1,
        family="arithmetic",
        unit="flop",
        check="residual",
        parameters={"order": 512},
        code_path="avx2",
        lower_is_better=False,
        basis="fixed work",
        pattern="all-lanes",
        trials=5,
        passes={0: 40, 1: 41},
        golden="ab12",
        golden_origin="computed",
        work_per_pass=1.0e8,
        available=True,
    )
    return replace(made, **changes)


FAILURE = Failure(FailureKind.WRONG_RESULT, "dense", 1, 1, 2.5, "residual 3 > 1e-12")
EVENT = Event(
    EventKind.LOAD_STARTED,
    1.0,
    "dense all (all lanes)",
    {"load": 0, "name": "dense all", "workload": "dense", "cpus": [0, 1], "pattern": "all-lanes"},
)
STOP = SafetyStop(HOT.key, 96.5, 95.0, "°C", 33.0, "profile", 0.4)
BOOT_B = Boot(99, "boot-b", "2026-09-21T15:00:00.000Z", 77.0, cold=False)


def readings(second: float, celsius: float | None = 71.5, count: int = 2) -> tuple[Sample, ...]:
    """`count` readings of the temperature and of the clock within one second."""
    times = [second + step / count for step in range(count)]
    reason = "" if celsius is not None else "EIO: input/output error"
    hot = [Sample(HOT.key, at, celsius, reason, latency_seconds=1e-5) for at in times]
    clock = [Sample(CLOCK.key, at, 3.65e9 + at) for at in times]
    return (*hot, *clock)


def begin(folder: Path, clock: ManualClock | None = None, **changes: Any) -> RecordWriter:
    return RecordWriter.create(folder / RUN_ID, header(**changes), clock or ManualClock())


def finished_run(folder: Path) -> Path:
    """A sealed run with something in every table; returns its folder."""
    made = folder / RUN_ID
    made.mkdir(parents=True)
    for name, content in _finished_files().items():
        (made / name).write_bytes(content)
        (made / name).chmod(0o600)
    return made


@cache
def _finished_files() -> dict[str, bytes]:
    with tempfile.TemporaryDirectory() as folder:
        made = _finish_run(Path(folder))
        return {path.name: path.read_bytes() for path in made.iterdir()}


def _finish_run(folder: Path) -> Path:
    clock = ManualClock()
    writer = begin(folder, clock)
    for item in (HOT, CLOCK, ABSENT, load(), load(1, name="soak"), EVENT, trial(1), FAILURE, STOP):
        writer.put(item)
    writer.put("fan at full speed")
    for second in range(5):
        clock.advance(1.0)
        writer.put_sweeps(packed(readings(float(second), 70.0 + second)))
        assert writer.flush()
    writer.put(trial(2))
    writer.put(soak())
    clock.advance(37.0)
    writer.seal(Ending.COMPLETED, "all done")
    return writer.folder
