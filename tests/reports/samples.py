"""Invented runs for the report tests: an imaginary machine, imaginary numbers, no real maker.

A workshop has changed the cooler of "bench 4" and switched a memory profile on. `passing` is the
quiet case; every other sample changes what its name says and nothing else.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from harness.compared import FactChange
from harness.outcome import Ending, ExitCode, Requirement, Verdict, decide
from harness.results import (
    Boot,
    ChannelSummary,
    CriterionResult,
    Event,
    EventKind,
    Failure,
    FailureKind,
    Flag,
    LoadSpan,
    RunResult,
    SafetyStop,
    Statement,
)
from tests.reports.sample_parts import (
    DURATION_SECONDS,
    WORKLOADS,
    channels,
    core_channel,
    criteria,
    events,
    facts,
    spans,
    statements,
    workload,
)

CAUTIONS = (
    "Sustained load heats the machine: the limits that hold are its maker's, not this report's.",
    "Save your work before a run: an unstable machine may stop at any moment.",
    "rigproof changes no setting: it writes no clock, voltage or firmware value.",
)
CHANGES = (
    FactChange("setting memory_speed", 4800, 6000),
    FactChange("setting core_voltage_offset", None, "-30 mV"),
    FactChange("firmware / version", "1.41", "1.42"),
    FactChange("memory / total_bytes", 16_777_216_000, 33_554_432_000),
)
PROFILE_TEXT = """\
name: after-cooler-change
purpose: Is bench 4 still correct, cool and fast with the new cooler and the memory profile?
loads:
  - workload: dense-fp64
    trials: 12
accept:
  - criterion: no-failures
  - criterion: temperature-ceiling
    role: cpu_temperature
    below_celsius: 90
"""


@cache
def passing() -> RunResult:
    """Every required criterion passes; one optional one could not be measured."""
    return judged(
        criteria=criteria(),
        workloads=tuple(workload(index, spec) for index, spec in enumerate(WORKLOADS)),
        channels=channels(),
    )


@cache
def failing() -> RunResult:
    """A lane computed a wrong result, another died; the temperature came close to its limit."""
    failures = (
        Failure(
            FailureKind.WRONG_RESULT, "dense-fp64", 5, 11, 611.84,
            "1 element(s) of result differ, first at [118, 402]: expected 0x3fe1c8a07f3b9d22, "
            "found 0x3fe1c8a07f3b9d62 (bit 6)\ninputs intact, repeated on the same CPU: wrong "
            "again; on CPU 2: right. This one computes wrongly.",
        ),
        Failure(
            FailureKind.LANE_DIED, "sort-keys", 5, 11, 903.27,
            "killed by signal 11 (SIGSEGV)\nlast words:\n  Fatal error: Segmentation fault\n"
            "  Current thread 0x00007f21 (most recent call first): <no source>",
        ),
    )  # fmt: skip
    rules = list(criteria())
    rules[0] = replace(
        rules[0], verdict=Verdict.FAIL, measured=2.0,
        why="2 failures under load, the first in dense-fp64 on CPU 11 after 0:10:11.8",
    )  # fmt: skip
    return judged(
        criteria=tuple(rules),
        workloads=passing().workloads,
        channels=channels(),
        failures=failures,
    )


@cache
def inconclusive() -> RunResult:
    """The interval of a throughput floor straddles its limit; part of the trials disagree."""
    rules = list(criteria())
    rules[3] = replace(
        rules[3], verdict=Verdict.INCONCLUSIVE, limit=412.5e9,
        why="the interval 412.4 to 412.8 GFLOP/s straddles the floor of 412.5 GFLOP/s: about "
        "9 more trials would decide it",
    )  # fmt: skip
    return judged(criteria=tuple(rules), workloads=passing().workloads, channels=channels())


@cache
def safety_stopped() -> RunResult:
    """The guard stopped the load after four minutes."""
    stop = SafetyStop(
        "cpu package", 95.4, 95.0, "°C", 231.31, "the profile (maker's value not stated)", 0.412
    )
    event = Event(EventKind.LIMIT_EXCEEDED, 231.31, "cpu package 95.4 °C, confirmed by 95.6 °C")
    return judged(
        criteria=tuple(_undecided(rule) for rule in criteria()[:4]),
        workloads=tuple(workload(index, spec, trials=3) for index, spec in enumerate(WORKLOADS)),
        channels=channels(until=237.0, rise=73.5),
        safety_stop=stop,
        ending=Ending.SAFETY_STOP,
        duration_seconds=237.4,
        load_spans=spans(until=231.7),
        events=(*events()[:3], event),
    )


def _undecided(rule: CriterionResult) -> CriterionResult:
    return replace(
        rule, verdict=Verdict.NOT_TESTED, measured=None, low=None, high=None,
        why="not tested: the guard stopped the load before enough was measured",
    )  # fmt: skip


@cache
def without_sensors() -> RunResult:
    """A virtual machine: no sensor at all, one trial each, so hardly an interval."""
    rules = list(criteria())
    rules[1] = replace(
        rules[1], verdict=Verdict.NOT_TESTED, required=False, measured=None,
        why="not tested: no channel has the role cpu_temperature on this system",
    )  # fmt: skip
    lonely = tuple(
        replace(
            workload(index, spec, trials=1), low=None, high=None, cv_percent=None, low_all=None,
            high_all=None, reason="one trial gives no interval: at least two are needed",
        )
        for index, spec in enumerate(WORKLOADS[:2])
    )  # fmt: skip
    absent = (
        ChannelSummary(
            "cpu package", "°C", "hwmon", "cpu_temperature", 0, 0, None, None, None,
            why="not available: this system has no /sys/class/hwmon entry",
        ),
    )  # fmt: skip
    return judged(
        criteria=tuple(rules[:3]), workloads=lonely, channels=absent, statements=(), settings={},
        limits=(), notes=(), load_spans=spans(until=60.0), duration_seconds=64.0,
        events=events()[:2],
    )  # fmt: skip


@cache
def wide() -> RunResult:
    """A large server: 64 lanes, 60 channels, 320 trials of one workload, very long names."""
    long_name = "matrix-multiplication-of-bounded-integers-with-checksum-rows-and-" * 2 + "tail"
    many = tuple(
        workload(index, spec, trials=320 if index == 0 else 24, lanes=64)
        for index, spec in enumerate(WORKLOADS * 3)
    )
    named = tuple(
        replace(item, name=long_name if index == 5 else f"{item.name}-{index}")
        for index, item in enumerate(many)
    )
    cores = tuple(
        core_channel(index, quantity) for index in range(26) for quantity in ("clock", "heat")
    )
    more = tuple(
        replace(rule, name=f"{rule.name} {copy}") for copy in range(6) for rule in criteria()
    )
    return judged(
        criteria=more, workloads=named, channels=(*channels(), *cores), events=events() * 40,
        notes=tuple(f"note {number}: fan profile checked by hand" for number in range(30)),
    )  # fmt: skip


@cache
def hostile() -> RunResult:
    """Every text a stranger can influence tries to leave its place."""
    bad = "<script>alert('x')</script>&\"'\x1b[31m\u202egnp.exe\u2066\x00\ud800]]>--><b>"
    base = passing()
    return replace(
        base,
        baseline_runs=(bad,), changes=(FactChange(bad, bad, bad),),
        run_id=bad, why=bad, profile_name=bad, profile_text=bad, purpose=bad, started_utc=bad,
        criteria=tuple(
            replace(rule, name=bad, title=bad, why=bad, unit=bad, uncertainty=bad)
            for rule in base.criteria
        ),
        workloads=tuple(
            replace(
                item, name=bad, unit=bad, family=bad, check=bad, method=bad, reason=bad,
                findings=(bad,), flagged=(Flag(1, bad),), readings={bad: 1.5}, golden_origin=bad,
                points=tuple(replace(point, causes=(bad,)) for point in item.points),
            )
            for item in base.workloads
        ),
        channels=tuple(
            replace(item, name=bad, unit=bad, source=bad, why=bad, key=bad)
            for item in base.channels
        ),
        failures=(Failure(FailureKind.WORKLOAD_ERROR, bad, 1, 1, 3.0, bad),),
        safety_stop=SafetyStop(bad, 1.0, 2.0, bad, 3.0, bad),
        events=(Event(EventKind.NOTE, 1.0, bad, {bad: bad}),),
        load_spans=(LoadSpan(0.0, 300.0, bad),),
        settings={bad: bad}, facts={bad: {bad: [bad]}}, notes=(bad,), versions={bad: bad},
        statements=(Statement(bad, bad, bad),), unverified_settings=(bad,), banners=(bad,),
        cautions=(bad,), boots=(Boot(1, bad, bad, 0.0, None),), limits=((bad, bad),),
    )  # fmt: skip


@cache
def crashed() -> RunResult:
    """The machine restarted in the middle of a trial; the record holds what came before."""
    return judged(
        criteria=(_no_crash(), *criteria()[1:2]),
        workloads=passing().workloads[:2],
        channels=channels(until=660.0),
        ending=Ending.CRASHED,
        ended_utc=None,
        duration_seconds=None,
        load_spans=spans(until=660.0),
        failures=(
            Failure(
                FailureKind.MACHINE_RESTARTED, "memory-read", None, None, 660.0,
                "the boot id changed; last load memory-read on 8 lanes, cpu package 78.5 °C",
            ),
        ),
        banners=("This record was closed after the fact: the run has no end event.",),
    )  # fmt: skip


def _no_crash() -> CriterionResult:
    return CriterionResult(
        "no-crash", True, Verdict.FAIL, 1.0, None, None, 0.0, "crashes",
        "the machine restarted after 0:11:00.0, while memory-read ran on 8 lanes",
        "The machine stays up", "count: exact",
    )  # fmt: skip


@cache
def small() -> RunResult:
    """A short failing run with everything in it once: the one that the gold files hold."""
    run = failing()
    return replace(
        run,
        workloads=run.workloads[:2],
        channels=(*channels(until=90.0)[:2], channels()[-1]),
        load_spans=spans(until=90.0),
        failures=tuple(replace(item, at_seconds=item.at_seconds / 12) for item in run.failures),
        duration_seconds=92.5,
        events=events()[:3],
        banners=("This record was read in part: 1 of 92 sample blocks is damaged.",),
        damage=("This record was read in part: 1 of 92 sample blocks is damaged.",),
        partial=True,
        baseline_runs=("20260313T140000Z-11aa",),
        changes=CHANGES,
    )


@cache
def everything() -> dict[str, RunResult]:
    """All samples by name."""
    makers = (
        passing, failing, inconclusive, safety_stopped, without_sensors, wide, hostile, crashed,
    )  # fmt: skip
    return {maker.__name__: maker() for maker in makers}


def judged(**changes: object) -> RunResult:
    """A run with the outcome that the outcome table gives it."""
    run = replace(_blank(), **changes)  # type: ignore[arg-type]
    outcome = decide(
        [Requirement(rule.name, rule.required, rule.verdict) for rule in run.criteria],
        ending=run.ending,
        failures=len(run.failures),
        partial=run.partial,
        safety_stop=run.safety_stop is not None,
        damaged=bool(run.damage),
    )
    return replace(run, verdict=outcome.verdict, exit_code=outcome.exit_code, why=outcome.why)


def _blank() -> RunResult:
    return RunResult(
        run_id="20260314T081502Z-7f3a",
        verdict=Verdict.INCONCLUSIVE,
        exit_code=ExitCode.INCONCLUSIVE,
        why="",
        profile_name="after-cooler-change",
        profile_sha256="9b0c6d0f2c1b7e41" * 4,
        profile_text=PROFILE_TEXT,
        purpose="Is bench 4 still correct, cool and fast with the new cooler and memory profile?",
        started_utc="2026-03-14T08:15:02.118Z",
        ended_utc="2026-03-14T08:36:26.702Z",
        utc_offset_minutes=60,
        duration_seconds=DURATION_SECONDS,
        ending=Ending.COMPLETED,
        partial=False,
        criteria=(),
        workloads=(),
        failures=(),
        safety_stop=None,
        channels=(),
        load_spans=spans(),
        events=events(),
        settings={
            "cooler": "tower, 140 mm, refitted",
            "memory_profile": "on",
            "core_voltage_offset": {"value": -30, "unit": "mV"},
            "memory_speed": {"value": 6000, "unit": "MT/s"},
        },
        facts=facts(),
        notes=("08:21 side panel closed", "08:30 room heater switched itself on"),
        versions={"rigproof": "0.1.0", "python": "3.11.9", "numpy": "2.4.6", "numba": "0.68.1"},
        statements=statements(),
        unverified_settings=("cooler", "memory_profile", "core_voltage_offset", "memory_speed"),
        cautions=CAUTIONS,
        boots=(Boot(1, "b1e0", "2026-03-14T07:58:40.000Z", 0.0, True, DURATION_SECONDS),),
        limits=(
            ("cpu_temperature stop_above", "95 °C, the profile's value (maker's not stated)"),
            ("fan_speed stop_below", "300 RPM, the profile's value"),
        ),
    )
