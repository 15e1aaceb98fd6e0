"""What criteria judge from: the measured run and the statistics already made of it. No I/O."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

from harness.compared import Comparison, FactChange
from harness.criteria.attribution import failures_of, failures_under_load
from harness.results import (
    ChannelData,
    Failure,
    LoadInfo,
    RunData,
    SoakData,
    TrialData,
    WorkloadResult,
)
from harness.statistics.decision import LimitDecision
from harness.statistics.within_run import TrialStatistics


@dataclass(frozen=True)
class LoadEvidence:
    """One load of the run: what it did, and the statistics of its trials where it has any."""

    info: LoadInfo
    trials: tuple[TrialData, ...]
    soaks: tuple[SoakData, ...]
    result: WorkloadResult
    statistics: TrialStatistics | None = None

    @property
    def name(self) -> str:
        """The load's name in the profile."""
        return self.info.name

    @property
    def soak_seconds(self) -> float:
        """Seconds of soak that took place, over all its stretches."""
        return sum(soak.ended_seconds - soak.started_seconds for soak in self.soaks)

    @property
    def verified(self) -> int:
        """Passes whose results were verified, over all lanes, trials and soaks."""
        return self.result.verified


@dataclass(frozen=True)
class Heating:
    """How far one channel's temperature rose and would have risen under one soak, in °C.

    `steady_*` is the value the first-order fit tends to with its interval; None with a `reason`
    ("held by control", "too short"). `last_*` is the fitted value when the load ended.
    """

    load: str
    channel: str
    highest_celsius: float
    steady_celsius: float | None = None
    steady_low: float | None = None
    steady_high: float | None = None
    rise_left_celsius: float | None = None
    rise_left_low: float | None = None
    rise_left_high: float | None = None
    reason: str = ""
    #: Clock or fan was regulated during the fit: the steady value is the controller's choice.
    held_by_control: bool = False


@dataclass(frozen=True)
class Room:
    """The room's temperature now and on the worst day, in degrees Celsius; None with a reason."""

    ambient_celsius: float | None
    worst_celsius: float | None
    reason: str = ""

    @property
    def hotter_by_celsius(self) -> float | None:
        """How much warmer the worst day's room is, or None."""
        if self.ambient_celsius is None or self.worst_celsius is None:
            return None
        return self.worst_celsius - self.ambient_celsius


@dataclass(frozen=True)
class RatioGuard:
    """What must be known of one load's ratio to the baseline before a decision hangs on it.

    `low_all` and `high_all` are the family-adjusted limits with every trial, used where `rejected`
    says that trials were left out on either side; `doubt` says why no ratio holds at all.
    """

    doubt: str = ""
    rejected: bool = False
    low_all: float | None = None
    high_all: float | None = None


@dataclass(frozen=True)
class Evidence:
    """Everything a criterion may look at."""

    data: RunData
    loads: tuple[LoadEvidence, ...]
    confidence: float = 0.95
    blind: bool = False
    room: Room = Room(None, None, "the profile declares no ambient_celsius")
    stop_above_celsius: float | None = None
    whose_limit: str = ""
    heating: tuple[Heating, ...] = ()
    heating_reason: str = "no soak was long enough to fit its temperature"
    comparison: Comparison | None = None
    #: Per compared load, the guarded verdict on "not slower than the margin".
    not_slower: Mapping[str, LimitDecision] = field(default_factory=dict)
    ratio_guards: Mapping[str, RatioGuard] = field(default_factory=dict)
    comparison_reason: str = "no baseline was given"
    #: What differs from the baseline, listed even where comparing with it is refused.
    changes: tuple[FactChange, ...] = ()

    def chosen(self, names: Sequence[str]) -> tuple[LoadEvidence, ...]:
        """The loads called `names`, or all of them when `names` is empty."""
        return tuple(load for load in self.loads if not names or load.name in names)

    def channels(self, role: str) -> tuple[ChannelData, ...]:
        """The channels with this role, or else of this key (wildcards allowed) or name."""
        return tuple(
            item
            for item in self.data.channels
            if role in (item.channel.role, item.channel.name) or fnmatchcase(item.channel.key, role)
        )

    def failures(self, names: Sequence[str] = ()) -> tuple[Failure, ...]:
        """Failures under load: of all loads, or of those named."""
        if not names:
            return failures_under_load(self.data)
        own = [item for load in self.chosen(names) for item in failures_of(load.info, self.data)]
        return tuple(item for item in self.data.failures if item in own)


def readable(channels: Iterable[ChannelData]) -> tuple[ChannelData, ...]:
    """The channels that gave at least one usable value."""
    return tuple(item for item in channels if item.samples > item.flagged and item.envelopes)
