"""Parts of the invented runs: rules, workloads, channels, events and facts, all imaginary."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

from harness.outcome import Verdict
from harness.results import (
    ChannelSummary,
    CriterionResult,
    Envelope,
    Event,
    EventKind,
    Flag,
    LaneSummary,
    LoadSpan,
    Statement,
    TrialPoint,
    WorkloadResult,
)

DURATION_SECONDS = 1_284.6

Spec = tuple[str, str, str, float, float]
WORKLOADS: tuple[Spec, ...] = (
    ("dense-fp64", "dense", "flop/s", 412.6e9, 0.0011),
    ("memory-read", "memory", "byte/s", 58.31e9, 0.0061),
    ("sort-keys", "integer", "key/s", 183.2e6, 0.0019),
    ("load-latency", "memory", "s/access", 71.4e-9, 0.0025),
)


def criteria() -> tuple[CriterionResult, ...]:
    """Six rules of several kinds."""
    return (
        CriterionResult(
            "no-failures", True, Verdict.PASS, 0.0, None, None, 0.0, "failures",
            "every one of 24 096 results was verified and none was wrong",
            "No failures under load", "count: exact",
        ),
        CriterionResult(
            "temperature-ceiling", True, Verdict.PASS, 79.3, 78.3, 80.3, 90.0, "°C",
            "the highest reading of cpu package stayed 10.7 K under the ceiling of 90 °C",
            "Temperature stays under its ceiling", "largest reading, sensor resolution ±1 K",
        ),
        CriterionResult(
            "spread-ceiling memory-read", True, Verdict.PASS, 0.61, 0.44, 0.92, 1.0, "%",
            "trials of memory-read vary by 0.61 %, wholly under 1 %",
            "Trials agree with each other", "chi-square interval of the standard deviation",
        ),
        CriterionResult(
            "throughput-floor dense-fp64", True, Verdict.PASS, 412.6e9, 412.36e9, 412.84e9,
            400e9, "flop/s", "the whole interval lies above the floor of 400 GFLOP/s",
            "Throughput reaches its floor", "Student interval, 95 %",
        ),
        CriterionResult(
            "minimum-soak", True, Verdict.PASS, 900.0, None, None, 900.0, "s",
            "15 minutes of sustained load were completed", "Sustained long enough",
            "duration: exact",
        ),
        CriterionResult(
            "no-hardware-errors", False, Verdict.NOT_TESTED, None, None, None, 0.0, "errors",
            "not tested: no memory controller reports to this system, so its count is unknown",
            "No corrected hardware errors",
        ),
    )  # fmt: skip


@cache
def workload(index: int, spec: Spec, *, trials: int = 12, lanes: int = 8) -> WorkloadResult:
    """A workload's statistics from seeded trials: two warm-up, some flagged, some rejected."""
    name, family, unit, centre, spread = spec
    points = _points(index, centre, spread, trials)
    kept = [point.value for point in points if point.state in ("kept", "flagged")]
    everything_valid = [
        point.value for point in points if point.state not in ("warm-up", "invalid")
    ]
    mean, half, deviation = _student(kept)
    mean_all, half_all, _ = _student(everything_valid)
    return WorkloadResult(
        name=name, workload=name, family=family, unit=unit,
        lower_is_better=unit.startswith("s/"), trials=trials, boots=1,
        flagged=tuple(
            Flag(point.trial, point.causes[0] if point.causes else "")
            for point in points if point.state in ("flagged", "rejected")
        ),
        rejected=sum(point.state == "rejected" for point in points),
        mean=mean, low=mean - half, high=mean + half, confidence=0.95,
        cv_percent=100 * deviation / mean if len(kept) > 1 else None,
        mean_all=mean_all, low_all=mean_all - half_all, high_all=mean_all + half_all,
        points=points,
        lanes=tuple(
            LaneSummary(lane, lane * 2, mean / lanes * (1 + 0.001 * (lane % 5 - 2)), 753 + lane, 0)
            for lane in range(lanes)
        ),
        findings=("no drift over the run (Mann-Kendall p = 0.41)",),
        verified=753 * lanes, soak_seconds=900.0 if index == 0 else 0.0,
        check="digest of the result; sums of rows locate a difference",
        golden_origin="agreed by 8 of 8 lanes (24 passes)" if index else "shipped", basis="mean",
        readings={"latency_1024_kib_ns": 4.2, "round_trip_ns between lanes 0 and 1": 81.0},
        method="Student interval of the mean over trials",
    )  # fmt: skip


def _points(index: int, centre: float, spread: float, trials: int) -> tuple[TrialPoint, ...]:
    # The generator only makes invented data vary.
    random_source = random.Random(1_000 + index)
    points = []
    for trial in range(1, trials + 1):
        value = centre * (1 + spread * _noise(random_source))
        state, causes = _state(trial, trials)
        if state == "rejected":
            value *= 0.971
        if state == "warm-up":
            value *= 0.93
        at_seconds = 20 + 1_240 * trial / trials + index
        points.append(TrialPoint(trial, trial, 1, at_seconds, value, state, causes))
    return tuple(points)


def _state(trial: int, trials: int) -> tuple[str, tuple[str, ...]]:
    if trials < 4:
        return "kept", ()
    if trial == 1:
        return "warm-up", ()
    if trial % 11 == 0:
        return "rejected", ("run delay 12 %",)
    return ("flagged", ()) if trial % 7 == 0 else ("kept", ())


def _student(values: Sequence[float]) -> tuple[float, float, float]:
    mean = math.fsum(values) / len(values)
    if len(values) < 2:
        return mean, 0.0, 0.0
    squares = math.fsum((value - mean) ** 2 for value in values)
    deviation = math.sqrt(squares / (len(values) - 1))
    # 2.2 stands in for Student's factor: the data are invented, their interval may be rough.
    return mean, 2.2 * deviation / math.sqrt(len(values)), deviation


def channels(*, until: float = DURATION_SECONDS, rise: float = 42.0) -> tuple[ChannelSummary, ...]:
    """A desktop's channels: temperatures, clock, power, fan, one lost and one absent."""
    return (
        channel("cpu package", "°C", "cpu_temperature", 36.0, rise, 45.0, until, noise=0.6),
        channel("core clock, measured", "Hz", "core_clock", 4.9e9, -0.12e9, 8.0, until, noise=8e6),
        channel("package power", "W", "cpu_power", 14.0, 128.0, 2.0, until, noise=1.5),
        channel("cpu fan", "RPM", "fan_speed", 620.0, 780.0, 30.0, until, noise=9.0),
        channel("core voltage", "V", "core_voltage", 1.245, -0.061, 2.0, until, noise=0.002),
        replace(
            channel("module 2", "°C", "memory_temperature", 38, 9, 200, 0.6 * until, noise=0.3),
            missing=1_014, flagged=3, why="EIO (input/output error) since 0:12:50.8",
        ),
        ChannelSummary(
            "machine checks", "events", "interrupts", "", 0, 0, None, None, None,
            why="permission denied: readable by root only",
        ),
    )  # fmt: skip


def core_channel(core: int, quantity: str) -> ChannelSummary:
    """One core's clock or temperature."""
    if quantity == "clock":
        return channel(
            f"core {core} clock", "Hz", "core_clock", 4.9e9 + core * 3e6, -0.15e9, 8.0,
            DURATION_SECONDS, noise=5e6, seed=core,
        )  # fmt: skip
    return channel(
        f"core {core} temperature", "°C", "core_temperature", 34.0 + core % 5, 40.0, 40.0,
        DURATION_SECONDS, noise=0.8, seed=core,
    )  # fmt: skip


@cache
def channel(
    name: str, unit: str, role: str, idle: float, rise: float, tau: float, until: float,
    *, noise: float, seed: int = 0,
) -> ChannelSummary:  # fmt: skip
    """A channel that follows the load with a first-order lag, as one-second envelopes."""
    random_source = random.Random(f"{name}{seed}")
    level, envelopes = idle, []
    for second in range(int(until)):
        target = idle + rise * _is_loaded(second)
        level += (target - level) / tau
        middle = level + noise / 2 * _noise(random_source)
        envelopes.append(Envelope(float(second), 1.0, middle - noise, middle, middle + noise, 2))
    return ChannelSummary(
        name, unit, "hwmon", role, 2 * len(envelopes), 0,
        min(item.minimum for item in envelopes),
        math.fsum(item.mean for item in envelopes) / len(envelopes),
        max(item.maximum for item in envelopes),
        key=f"hwmon/{name}", envelopes=tuple(envelopes),
    )  # fmt: skip


def _noise(random_source: random.Random) -> float:
    """About standard normal, from sums alone: the same last bit under every C library."""
    return 2.0 * (sum(random_source.random() for _ in range(3)) - 1.5)


def _is_loaded(second: float) -> bool:
    return any(span.start_seconds <= second < span.end_seconds for span in spans())


@cache
def spans(*, until: float = DURATION_SECONDS) -> tuple[LoadSpan, ...]:
    """Rounds of trials, then a soak of fifteen minutes."""
    trials = [LoadSpan(20.0 + 45 * n, 52.0 + 45 * n, f"round {n + 1}") for n in range(7)]
    every = [*trials, LoadSpan(360.0, 1_260.0, "soak dense-fp64")]
    return tuple(
        replace(span, end_seconds=min(span.end_seconds, until))
        for span in every
        if span.start_seconds < until
    )


def events() -> tuple[Event, ...]:
    """What happened, in order."""
    return (
        Event(EventKind.RUN_STARTED, 0.0, "8 lanes, 7 channels"),
        Event(EventKind.WARNING, 0.4, "another process used 14 % of a core before the start"),
        Event(EventKind.LOAD_STARTED, 20.0, "round 1"),
        Event(EventKind.CHANNEL_LOST, 770.8, "module 2: EIO (input/output error)"),
        Event(EventKind.NOTE, 905.0, "room heater switched itself on"),
        Event(EventKind.LOAD_ENDED, 1_260.0, "soak dense-fp64"),
        Event(EventKind.RUN_ENDED, DURATION_SECONDS, "completed"),
    )


def statements() -> tuple[Statement, ...]:
    """What the analysis can stand behind."""
    return (
        Statement(
            "stability",
            "No failure in 0.25 hours of dense-fp64: with 95 % confidence it fails less often "
            "than 12 times an hour on its weakest core.",
            "failures come at a constant rate (exponential); an hour of this load, this setting",
        ),
        Statement(
            "heat",
            "cpu package settled at 77.9 ± 0.3 °C with a time constant of 45 s. On a hot day of "
            "35 °C it would reach 89.9 °C.",
            "constant power and fan; ambient 23 °C declared",
        ),
    )


def facts() -> dict[str, object]:
    """What the imaginary machine says about itself."""
    return {
        "machine_identity": "3f9c2d77a1",
        "cpu": {
            "model": "Imaginary Eight 4900", "stepping": 2, "microcode": "0x0a20102b",
            "sockets": 1, "cores": 8, "threads": 16, "smt": True,
            "caches": ["L1d 32 KiB", "L2 1 MiB", "L3 32 MiB"],
        },
        "memory_bytes": 33_554_432_000,
        "board": {"vendor": "Nowhere Boards", "name": "NB-4 Rev 2"},
        "firmware": {"vendor": "Nowhere Boards", "version": "1.42", "date": "2026-02-03"},
        "kernel": "6.18.0-imaginary",
        "governor": "performance",
        "boost": True,
        "virtualisation": None,
        "ambient_celsius": 23.0,
    }  # fmt: skip
