"""Invented evidence for the criteria tests: one small run, changed piece by piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from harness.criteria.evidence import Evidence, Heating, LoadEvidence
from harness.outcome import Ending
from harness.results import (
    Boot,
    Channel,
    ChannelData,
    Envelope,
    Event,
    EventKind,
    Failure,
    FailureKind,
    LaneTrial,
    LoadInfo,
    RunData,
    SoakData,
    TrialData,
    TrialPoint,
    WorkloadResult,
)
from harness.statistics.within_run import summarise_trials

RATES = (101.0, 100.0, 99.0, 100.5, 99.5, 100.0)


def lane(number: int, **more: Any) -> LaneTrial:
    values: dict[str, Any] = {
        "lane": number,
        "cpu": number + 4,
        "passes": 30,
        "work": 150.0,
        "seconds": 3.0,
        "pass_mean_seconds": 0.1,
        "pass_p10_seconds": 0.099,
        "verified": 30,
        "run_delay_seconds": 0.001,
        "involuntary_switches": 3,
        "major_faults": 0,
        "clock_hz": 3.6e9,
    }
    return LaneTrial(**{**values, **more})


def working(number: int, seconds: float, **more: Any) -> LaneTrial:
    """A lane that verified thirty passes in all of these seconds."""
    return lane(number, **{"seconds": seconds, "pass_mean_seconds": seconds / 30, **more})


def load_info(name: str = "spin", number: int = 0, **more: Any) -> LoadInfo:
    values: dict[str, Any] = {
        "number": number,
        "name": name,
        "workload": name,
        "workload_version": 1,
        "family": "integer",
        "unit": "turn",
        "check": "digest",
        "parameters": {},
        "code_path": "",
        "lower_is_better": False,
        "basis": "mean",
        "pattern": "all-lanes",
        "trials": 6,
        "passes": {0: 30, 1: 30},
        "golden": "0xab",
        "golden_origin": "shipped",
        "work_per_pass": 5.0,
        "available": True,
    }
    return LoadInfo(**{**values, **more})


def trial(number: int, rate: float, load: int = 0, **more: Any) -> TrialData:
    values: dict[str, Any] = {
        "number": number,
        "round": number + 1,
        "load": load,
        "workload": "spin",
        "boot": 1,
        "started_seconds": 10.0 + 4.0 * number,
        "ended_seconds": 13.0 + 4.0 * number,
        "lanes": (lane(0), lane(1)),
        "rate": rate,
        "capability_rate": rate * 1.01,
    }
    return TrialData(**{**values, **more})


def soak(seconds: float, load: int = 1, **more: Any) -> SoakData:
    values: dict[str, Any] = {
        "number": 100,
        "load": load,
        "workload": "spin",
        "pattern": "all-lanes",
        "boot": 1,
        "started_seconds": 100.0,
        "ended_seconds": 100.0 + seconds,
        "lanes": (working(0, seconds), working(1, seconds)),
    }
    return SoakData(**{**values, **more})


def channel(role: str = "cpu_temperature", peak: float = 71.0, **more: Any) -> ChannelData:
    values: dict[str, Any] = {
        "channel": Channel(f"hwmon:isa:{role}", role.replace("_", " "), "°C", "hwmon", role),
        "envelopes": (
            Envelope(0.0, 50.0, peak - 31, peak - 30, peak - 29, 2),
            Envelope(50.0, 650.0, peak - 2, peak - 1, peak, 2),
        ),
        "samples": 100,
        "missing": 0,
        "flagged": 0,
    }
    return ChannelData(**{**values, **more})


COUNTER_SOURCES = {"throttle_count": "throttle", "hardware_errors": "hardware errors"}


def counter(
    role: str, first: float, last: float, name: str = "count", source: str = ""
) -> ChannelData:
    source = source or COUNTER_SOURCES[role]
    return ChannelData(
        Channel(f"{source}:x:y:{name}:", name, "count", source, role, counter=True),
        (Envelope(0.0, 1.0, first, first, first, 2), Envelope(699.0, 1.0, last, last, last, 2)),
        100,
        0,
        0,
        first_value=first,
        last_value=last,
    )


def clock_channel(cpu: int, *blocks: tuple[float, float]) -> ChannelData:
    """A core's sampled clock: (second, lowest value in Hz), one block a second."""
    return ChannelData(
        Channel(f"clock:cpu{cpu}", f"CPU {cpu} clock", "Hz", "clock probe", "core_clock", cpu=cpu),
        tuple(Envelope(at, 1.0, low, low + 1e8, low + 2e8, 2) for at, low in blocks),
        2 * len(blocks),
        0,
        0,
    )


def failure(kind: FailureKind = FailureKind.WRONG_RESULT, **more: Any) -> Failure:
    values: dict[str, Any] = {
        "kind": kind,
        "workload": "spin",
        "lane": 1,
        "core": 5,
        "at_seconds": 42.0,
        "detail": "bit 6 of element 3",
    }
    return Failure(**{**values, **more})


def event(kind: EventKind, at_seconds: float = 20.0, text: str = "core 5 throttled") -> Event:
    return Event(kind, at_seconds, text)


def run_data(**more: Any) -> RunData:
    values: dict[str, Any] = {
        "run_id": "20260131T081500Z-test",
        "schema_version": 1,
        "started_utc": "2026-01-31T08:15:00.000Z",
        "ended_utc": "2026-01-31T08:20:00.000Z",
        "duration_seconds": 300.0,
        "utc_offset_minutes": 0,
        "profile_text": "name: test\nloads:\n  - {workload: spin, trials: 6}\n",
        "profile_name": "test",
        "profile_sha256": "0" * 64,
        "ending": Ending.COMPLETED,
        "ending_text": "",
        "partial": False,
        "boots": (Boot(1, "boot-a", "2026-01-31T08:00:00.000Z", 0.0, None),),
        "loads": (load_info(), load_info("steady", 1, trials=0, workload="spin")),
        "trials": tuple(trial(number, rate) for number, rate in enumerate(RATES)),
        "soaks": (soak(600.0),),
        "failures": (),
        "events": (),
        "safety_stop": None,
        "channels": (channel(),),
        "settings": {},
        "facts": {"identity": "m1"},
        "notes": (),
        "versions": {},
        "context": {},
    }
    return RunData(**{**values, **more})


def load_evidence(
    info: LoadInfo | None = None,
    rates: Sequence[float] = RATES,
    soaks: Sequence[SoakData] = (),
    **more: Any,
) -> LoadEvidence:
    """One load with the statistics of `rates`; `more` changes its result."""
    info = info or load_info()
    trials = tuple(trial(number, rate, info.number) for number, rate in enumerate(rates))
    found = summarise_trials(list(rates)) if rates else None
    result = WorkloadResult(
        name=info.name,
        workload=info.workload,
        family=info.family,
        unit="turn/s",
        lower_is_better=info.lower_is_better,
        trials=len(rates),
        boots=1,
        flagged=(),
        rejected=0,
        mean=None if found is None else found.mean,
        low=None if found is None else found.low,
        high=None if found is None else found.high,
        confidence=0.95,
        cv_percent=None if found is None else found.cv_percent,
        mean_all=None if found is None else found.mean_all,
        low_all=None if found is None else found.low_all,
        high_all=None if found is None else found.high_all,
        points=tuple(
            TrialPoint(n, n + 1, 1, 4.0 * n, rate, "kept") for n, rate in enumerate(rates)
        ),
        reason="" if found is None else found.reason or "",
        verified=60 * len(rates) + sum(lane.verified for item in soaks for lane in item.lanes),
        method="Student",
    )
    return LoadEvidence(info, trials, tuple(soaks), replace(result, **more), found)


def evidence(data: RunData | None = None, **more: Any) -> Evidence:
    """A run with one load of six quiet trials and one soak of ten minutes, all well."""
    values: dict[str, Any] = {
        "data": data or run_data(),
        "loads": (
            load_evidence(),
            load_evidence(load_info("steady", 1, trials=0), (), (soak(600.0),)),
        ),
        "stop_above_celsius": 95.0,
    }
    return Evidence(**{**values, **more})


STEADY = load_info("steady", 1, trials=0)


def soaked(hours: float, failures: int = 0, **more: Any) -> Evidence:
    """A soak of `hours` on two cores with failures spread over it, all on core 5."""
    long = soak(hours * 3600, **more)
    failed = tuple(failure(at_seconds=200.0 + number) for number in range(failures))
    data = run_data(loads=(replace(STEADY, workload="spin"),), soaks=(long,), failures=failed)
    load = load_evidence(data.loads[0], (), (long,))
    return evidence(data, loads=(load,))


def heating(**more: Any) -> Heating:
    """The fit of a soak that had 4 °C to go: 75 °C, from 73 °C to 77 °C."""
    values: dict[str, Any] = {
        "load": "steady",
        "channel": channel().channel.key,
        "highest_celsius": 71.0,
        "steady_celsius": 75.0,
        "steady_low": 73.0,
        "steady_high": 77.0,
        "rise_left_celsius": 4.0,
        "rise_left_low": 2.0,
        "rise_left_high": 6.0,
    }
    return Heating(**{**values, **more})
