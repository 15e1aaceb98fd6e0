"""Results that travel between rooms: frozen, typed, with units in their field names.

Two halves. What was *measured* (`RunData` and its parts) is exactly what the record holds. What
was *judged* (`RunResult` and its parts) is made from it by the analysis, and is all that a report
of a run ever sees; what a comparison of runs answers is in `harness.compared`. Times named
`at_seconds` count from the start of the run on the monotonic clock.
A value that was not measured is None, and the field beside it says why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from harness.compared import FactChange, WorkloadComparison
from harness.outcome import Ending, ExitCode, Verdict

# --- what was measured ------------------------------------------------------------------------


class FailureKind(StrEnum):
    """What kind of failure happened under load."""

    WRONG_RESULT = "wrong result"
    NO_AGREEMENT = "no agreement on the right result"
    LANE_DIED = "lane died"
    LANE_HUNG = "lane hung"
    WORKLOAD_ERROR = "workload error"
    PROCESS_DIED = "harness process died"
    MACHINE_RESTARTED = "machine restarted"


class EventKind(StrEnum):
    """What the record's events tell, in order of time."""

    RUN_STARTED = "run started"
    LOAD_STARTED = "load started"
    LOAD_ENDED = "load ended"
    WAITING = "waiting"
    LIMIT_EXCEEDED = "limit exceeded"
    WARNING = "warning"
    CHANNEL_LOST = "channel lost"
    CHANNEL_BACK = "channel back"
    THROTTLED = "throttled"
    HARDWARE_ERROR = "hardware error"
    #: A counter rose that is neither of the two before.
    COUNTED = "counted"
    SUSPENDED = "suspended"
    CLOCK_STEPPED = "wall clock stepped"
    DROPPED = "samples dropped"
    #: What another core made of a wrong result; `data["failure"]` counts failures from 0.
    DIAGNOSIS = "diagnosis"
    NOTE = "note"
    INTERRUPTED = "interrupted"
    CRASHED = "crashed"
    RESUMED = "resumed"
    BOOT_DONE = "boot done"
    RUN_ENDED = "run ended"


@dataclass(frozen=True)
class Channel:
    """One sensor quantity; `key` is stable across boots, `role` may be empty."""

    key: str
    name: str
    unit: str
    source: str
    role: str = ""
    reason: str = ""
    #: CPU, zone or DIMM the channel belongs to, or None for the whole machine.
    cpu: int | None = None
    counter: bool = False  # its increase matters: throttle events, corrected errors
    absent_reason: str = ""


@dataclass(frozen=True)
class Sample:
    """One reading of one channel: a value, or None with the reason; `flag` marks doubt."""

    channel: str
    at_seconds: float
    value: float | None
    reason: str = ""
    flag: str = ""
    latency_seconds: float | None = None


@dataclass(frozen=True)
class Envelope:
    """Smallest, mean and largest value of one channel over one block of time."""

    at_seconds: float
    duration_seconds: float
    minimum: float
    mean: float
    maximum: float
    samples: int


@dataclass(frozen=True)
class ChannelData:
    """One channel with its envelopes and counts over the run."""

    channel: Channel
    envelopes: tuple[Envelope, ...]
    samples: int
    missing: int
    #: Values flagged as implausible: kept in the record, left out of judgement.
    flagged: int
    missing_reason: str = ""
    first_value: float | None = None
    last_value: float | None = None


@dataclass(frozen=True)
class LaneTrial:
    """What one lane did in one trial."""

    lane: int
    cpu: int | None
    passes: int
    work: float
    seconds: float
    pass_mean_seconds: float
    #: 10th percentile of the pass times; None in the progress record of an unfinished soak.
    pass_p10_seconds: float | None
    verified: int
    run_delay_seconds: float | None
    involuntary_switches: int | None
    major_faults: int | None
    clock_hz: float | None
    readings: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class TrialData:
    """One trial: all lanes that took part, and why it may be disturbed."""

    number: int
    round: int
    load: int
    workload: str
    boot: int
    started_seconds: float
    ended_seconds: float
    lanes: tuple[LaneTrial, ...]
    #: Joint throughput of the lanes in units of work per second (sum of the lanes' rates).
    rate: float
    #: Joint rate from the 10th percentiles of pass times: capability, blind to short stalls.
    capability_rate: float
    #: Why the trial may be disturbed ("run delay 12 %"), empty when nothing is known.
    causes: tuple[str, ...] = ()
    #: False when a check failed, a lane died, or the trial was cut short.
    valid: bool = True


@dataclass(frozen=True)
class SoakData:
    """One soak or pattern: how long which lanes worked and how many passes were verified."""

    number: int
    load: int
    workload: str
    pattern: str
    boot: int
    started_seconds: float
    ended_seconds: float
    lanes: tuple[LaneTrial, ...]
    #: Seconds between two lanes' starts at a load step: (median, largest), None when one lane.
    step_skew_seconds: tuple[float, float] | None = None
    complete: bool = True
    #: (at_seconds, units of work per second) of all lanes together, one point every few seconds.
    rate_points: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Failure:
    """Something that went wrong under load, with the place it happened."""

    kind: FailureKind
    workload: str | None
    lane: int | None
    core: int | None
    at_seconds: float
    detail: str


@dataclass(frozen=True)
class Event:
    """Something that happened, for the timeline."""

    kind: EventKind
    at_seconds: float
    text: str
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class SafetyStop:
    """Why the guard stopped the load; `whose` names who set the limit."""

    channel: str
    value: float
    limit: float
    unit: str
    at_seconds: float
    whose: str
    reaction_seconds: float | None = None


@dataclass(frozen=True)
class Boot:
    """One stretch between restarts; `offset_seconds` is where it begins on the run's time axis."""

    number: int
    boot_id: str
    started_utc: str
    offset_seconds: float
    cold: bool | None
    ended_seconds: float | None = None


@dataclass(frozen=True)
class LoadInfo:
    """One entry of the profile's `loads`, as it was planned and calibrated."""

    number: int
    name: str
    workload: str
    workload_version: int
    family: str
    unit: str
    check: str
    parameters: Mapping[str, Any]
    code_path: str
    lower_is_better: bool
    basis: str
    pattern: str
    trials: int
    #: Passes per lane of one trial, frozen at calibration; empty before it.
    passes: Mapping[int, int]
    golden: str | None
    golden_origin: str
    work_per_pass: float | None
    available: bool
    reason: str = ""


@dataclass(frozen=True)
class RunData:
    """Everything a judgement may use, as read from one record."""

    run_id: str
    schema_version: int
    started_utc: str
    ended_utc: str | None
    duration_seconds: float | None
    utc_offset_minutes: int
    profile_text: str
    profile_name: str
    profile_sha256: str
    ending: Ending
    ending_text: str
    partial: bool
    boots: tuple[Boot, ...]
    loads: tuple[LoadInfo, ...]
    trials: tuple[TrialData, ...]
    soaks: tuple[SoakData, ...]
    failures: tuple[Failure, ...]
    events: tuple[Event, ...]
    safety_stop: SafetyStop | None
    channels: tuple[ChannelData, ...]
    settings: Mapping[str, Any]
    facts: Mapping[str, Any]
    notes: tuple[str, ...]
    versions: Mapping[str, str]
    #: Copied in at the start: baseline summary, between-boot spread, previous run, looks.
    context: Mapping[str, Any]
    #: Loud banners: damaged blocks, records of a crashed run, upgrades.
    banners: tuple[str, ...] = ()


# --- what was judged --------------------------------------------------------------------------


@dataclass(frozen=True)
class Flag:
    """One trial that stands out, and the recorded cause, empty where none is known."""

    trial: int
    cause: str


#: States of the trials that a mean is made of; what only stands out is kept.
KEPT_STATES = ("kept", "flagged")


@dataclass(frozen=True)
class TrialPoint:
    """One trial for the plot."""

    trial: int
    round: int
    boot: int
    at_seconds: float
    value: float
    state: str  # "kept", "flagged", "rejected", "warm-up" or "invalid"
    causes: tuple[str, ...] = ()


@dataclass(frozen=True)
class LaneSummary:
    """One lane's mean value (in the workload's unit) and verified passes; see WorkloadResult."""

    lane: int
    cpu: int | None
    rate_mean: float | None
    verified: int
    failures: int


@dataclass(frozen=True)
class WorkloadResult:
    """One workload's statistics; intervals are two-sided at `confidence`."""

    name: str
    workload: str
    family: str
    unit: str  # unit of the values below, e.g. "flop/s"
    lower_is_better: bool
    trials: int
    boots: int
    flagged: tuple[Flag, ...]
    rejected: int
    mean: float | None
    low: float | None
    high: float | None
    #: None where no trial took place, so that there is no interval to be confident of.
    confidence: float | None
    cv_percent: float | None
    mean_all: float | None
    low_all: float | None
    high_all: float | None
    points: tuple[TrialPoint, ...] = ()
    lanes: tuple[LaneSummary, ...] = ()
    #: Sentences about warm-up, drift, dependence, and why a value above is None.
    findings: tuple[str, ...] = ()
    reason: str = ""
    verified: int = 0
    soak_seconds: float = 0.0
    check: str = ""
    readings: Mapping[str, float] = field(default_factory=dict)
    method: str = ""
    #: Where the right digest came from in this run: "shipped", or who agreed on it; may be "".
    golden_origin: str = ""
    #: Which value of a trial is its score: "mean" or "capability"; see the workloads' contract.
    basis: str = ""


@dataclass(frozen=True)
class CriterionResult:
    """One criterion's verdict, explained in one line."""

    name: str
    required: bool
    verdict: Verdict
    measured: float | None
    low: float | None
    high: float | None
    limit: float | None
    unit: str
    why: str
    title: str = ""
    #: How sure the measured value is: an interval's method, or "count: exact", in words.
    uncertainty: str = ""


@dataclass(frozen=True)
class ChannelSummary:
    """One channel over the run; None where nothing was read, and then `why` says the reason."""

    name: str
    unit: str
    source: str
    role: str
    samples: int
    missing: int
    minimum: float | None
    mean: float | None
    maximum: float | None
    key: str = ""
    why: str = ""
    flagged: int = 0
    envelopes: tuple[Envelope, ...] = ()


@dataclass(frozen=True)
class LoadSpan:
    """A stretch of load on the timeline."""

    start_seconds: float
    end_seconds: float
    label: str


@dataclass(frozen=True)
class Statement:
    """A sentence the analysis can stand behind (stability, heat), with its assumptions."""

    topic: str
    text: str
    assumptions: str = ""


@dataclass(frozen=True)
class RunResult:
    """A judged run: everything the reports show. Made from the record alone."""

    run_id: str
    verdict: Verdict
    exit_code: ExitCode
    why: str
    profile_name: str
    profile_sha256: str
    profile_text: str
    purpose: str
    started_utc: str
    ended_utc: str | None
    utc_offset_minutes: int
    duration_seconds: float | None
    ending: Ending
    partial: bool
    criteria: tuple[CriterionResult, ...]
    workloads: tuple[WorkloadResult, ...]
    failures: tuple[Failure, ...]
    safety_stop: SafetyStop | None
    channels: tuple[ChannelSummary, ...]
    load_spans: tuple[LoadSpan, ...]
    events: tuple[Event, ...]
    settings: Mapping[str, Any]
    facts: Mapping[str, Any]
    notes: tuple[str, ...]
    versions: Mapping[str, str]
    statements: tuple[Statement, ...] = ()
    unverified_settings: tuple[str, ...] = ()
    banners: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    boots: tuple[Boot, ...] = ()
    limits: tuple[tuple[str, str], ...] = ()
    #: What the record has lost; its verdict is at best inconclusive. Also among `banners`.
    damage: tuple[str, ...] = ()
    #: Runs that this one was judged against, () without a baseline; what changed since.
    baseline_runs: tuple[str, ...] = ()
    changes: tuple[FactChange, ...] = ()
    compared: tuple[WorkloadComparison, ...] = ()
