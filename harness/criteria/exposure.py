"""How long each load was under way on each core, what it verified there, and what failed.

The rule: only time spent in passes that were verified counts. Waiting, the pauses of a pattern,
passes that were cut short or failed, a lane that stood still, and seconds during which the harness
itself stood still are no time under load. Hours of several cores are never added up: the machine
is as well tested as its core with the fewest, whether its cores worked all at once or in turn.

Why that holds: the machine's rate of errors is the sum of its cores' rates r_i (where they work in
turn, at most the largest of them). With T_i hours on each, the expected number of errors is at
least T_min times that, so a bound from T_min hours holds for the whole machine (Poisson process).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from harness.criteria.attribution import failures_of
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.results import Failure, LaneTrial, RunData, SoakData, TrialData
from harness.statistics.reliability import CoreExposure

_SECONDS_PER_HOUR = 3600.0
#: Reading by which a pair's measuring lane names the lane at the other end.
PEER_LANE = "peer_lane"
#: Patterns that mean every lane, one or two at a time; and all in which lanes may take turns.
_EVERY_CORE_IN_TURN = ("one-lane-moving", "pairs")
_MIXED = "mixed"
_IN_TURN = (*_EVERY_CORE_IN_TURN, "half-lanes", _MIXED)
#: Where an event says for how long the harness itself stood still before it.
_STOOD_STILL = "stood_still_seconds"


@dataclass(frozen=True)
class Exposure:
    """One load's time, never added up over cores.

    `machine_hours` are those of the core with the fewest and serve for upper bounds;
    `elapsed_hours` are those of the load on any core, and serve for lower ones. A core whose turn
    never came is among `cores`, with no time.
    """

    load: str
    machine_hours: float
    elapsed_hours: float
    passes: int
    failures: int
    #: By name of the core; a core that only failed is among them.
    cores: Mapping[str, CoreExposure] = field(default_factory=dict)


@dataclass(frozen=True)
class _Share:
    """What one lane did in one stretch on the run's time axis; `seconds` in verified passes."""

    core: str
    start: float
    end: float
    seconds: float
    passes: int

    def seconds_before(self, at_seconds: float) -> float:
        """Verified seconds up to a moment of the run: spread evenly over the stretch."""
        if at_seconds <= self.start:
            return 0.0
        if at_seconds >= self.end:
            return self.seconds
        return self.seconds * (at_seconds - self.start) / (self.end - self.start)


def exposure_of(load: LoadEvidence, evidence: Evidence) -> Exposure:
    """Trials and soaks together: every verified pass counts, whatever it was run for."""
    shares = list(_shares(load, evidence.data))
    failures = failures_of(load.info, evidence.data)
    cpus = _cpus(evidence.data)
    cores = _cores(shares, failures, cpus)
    if any(soak.pattern in _EVERY_CORE_IN_TURN for soak in load.soaks):
        untried = _all_cores(evidence.data, cpus) - cores.keys()
        cores |= {name: CoreExposure(0.0, 0, 0) for name in sorted(untried)}
    return Exposure(
        load=load.name,
        machine_hours=min((core.hours for core in cores.values()), default=0.0),
        elapsed_hours=_elapsed(shares) / _SECONDS_PER_HOUR,
        passes=load.verified,
        failures=len(failures),
        cores=cores,
    )


def hours_before(load: LoadEvidence, evidence: Evidence, at_seconds: float) -> float:
    """The load's machine-hours up to a moment on the run's time axis."""
    seconds: dict[str, float] = defaultdict(float)
    for share in _shares(load, evidence.data):
        seconds[share.core] += share.seconds_before(at_seconds)
    return min(seconds.values(), default=0.0) / _SECONDS_PER_HOUR


@dataclass(frozen=True)
class Sustained:
    """How long a load's soaks went on, on the core that had the least of them.

    `core` is that core, of `cores`; empty where every stretch held every lane of the run at once.
    `on_any_seconds` is how long the load was on, on whatever core; `is_shared` says that it took
    turns with others, or its cores among themselves.
    """

    seconds: float
    core: str
    cores: int
    on_any_seconds: float
    is_shared: bool = False

    @property
    def on_every_lane(self) -> bool:
        """True when every stretch held every lane of the run at once."""
        return not self.core


def sustained(load: LoadEvidence, evidence: Evidence) -> Sustained:
    """Each core's own time in the load's soaks; the core with the least decides.

    A pattern's pauses belong to a soak, but a lane that verified nothing has sustained nothing,
    and a harness that stood still has not kept the load up. Cores that take turns have each only
    their own turns, and one whose turn never came has none. Where all lanes worked at once, the
    time of a stretch is that of the lane that worked the shortest.
    """
    cpus = _cpus(evidence.data)
    stretches = [_own_seconds(soak, cpus, evidence.data) for soak in load.soaks]
    everywhere = _all_cores(evidence.data, cpus)
    on_any = math.fsum(max(own.values(), default=0.0) for own in stretches)
    if all(own.keys() == everywhere for own in stretches):
        least = math.fsum(min(own.values(), default=0.0) for own in stretches)
        return Sustained(least, "", len(everywhere), on_any)
    turns = any(soak.pattern in _EVERY_CORE_IN_TURN for soak in load.soaks)
    names = everywhere if turns else {name for own in stretches for name in own}
    total = {name: math.fsum(own.get(name, 0.0) for own in stretches) for name in sorted(names)}
    core = min(total, key=lambda name: total[name], default="")
    is_shared = len(total) > 1 or any(soak.pattern == _MIXED for soak in load.soaks)
    return Sustained(total.get(core, 0.0), core, len(total), on_any, is_shared)


def may_lack_turns(load: LoadEvidence, evidence: Evidence) -> bool:
    """True when the load was the run's last and lanes take turns at it: some may be to come yet."""
    last = max(evidence.data.soaks, key=lambda soak: soak.started_seconds, default=None)
    return last is not None and last in load.soaks and last.pattern in _IN_TURN


def _own_seconds(soak: SoakData, cpus: Mapping[int, int], data: RunData) -> dict[str, float]:
    """Seconds of one stretch by core; the other end of a pair worked as long."""
    still = _still_seconds(soak.started_seconds, soak.ended_seconds, data)
    return {
        core: max(0.0, lane.seconds - still) if lane.verified else 0.0
        for lane in soak.lanes
        for core in _places(lane, cpus)
    }


def _all_cores(data: RunData, cpus: Mapping[int, int]) -> set[str]:
    """Every core that any load of the run worked on."""
    stretches: tuple[TrialData | SoakData, ...] = (*data.trials, *data.soaks)
    return {core for stretch in stretches for lane in stretch.lanes for core in _places(lane, cpus)}


def _places(lane: LaneTrial, cpus: Mapping[int, int]) -> tuple[str, ...]:
    """Names of the core that a lane worked on, and of the one at the other end of its pair."""
    peer = lane.readings.get(PEER_LANE)
    own = _core_name(lane.cpu, lane.lane)
    return (own,) if peer is None else (own, _core_name(cpus.get(round(peer)), round(peer)))


def _shares(load: LoadEvidence, data: RunData) -> Iterator[_Share]:
    cpus = _cpus(data)
    stretches: tuple[TrialData | SoakData, ...] = (*load.trials, *load.soaks)
    for stretch in stretches:
        for lane in stretch.lanes:
            yield from _lane_shares(lane, stretch, cpus, data)


def _lane_shares(
    lane: LaneTrial, stretch: TrialData | SoakData, cpus: Mapping[int, int], data: RunData
) -> Iterator[_Share]:
    """The lane's own share; the other end of a pair did the same passes."""
    start, end = stretch.started_seconds, stretch.ended_seconds
    seconds = max(0.0, lane.verified * lane.pass_mean_seconds - _still_seconds(start, end, data))
    for core in _places(lane, cpus):
        yield _Share(core, start, end, seconds, lane.verified)


def _still_seconds(start: float, end: float, data: RunData) -> float:
    """Seconds between two moments in which the harness, and maybe its lanes, stood still."""
    stretches = [
        (event.at_seconds - float(event.data[_STOOD_STILL]), event.at_seconds)
        for event in data.events
        if _STOOD_STILL in event.data
    ]
    return math.fsum(max(0.0, min(end, until) - max(start, since)) for since, until in stretches)


def _elapsed(shares: Sequence[_Share]) -> float:
    """Seconds in which any core was under the load: of each stretch the longest share."""
    longest: dict[tuple[float, float], float] = defaultdict(float)
    for share in shares:
        stretch = (share.start, share.end)
        longest[stretch] = max(longest[stretch], share.seconds)
    return math.fsum(longest.values())


def _cpus(data: RunData) -> dict[int, int]:
    """The CPU of each lane, where any load of the run tells it."""
    stretches: tuple[TrialData | SoakData, ...] = (*data.trials, *data.soaks)
    return {
        lane.lane: lane.cpu
        for stretch in stretches
        for lane in stretch.lanes
        if lane.cpu is not None
    }


def _cores(
    shares: Sequence[_Share], failures: Sequence[Failure], cpus: Mapping[int, int]
) -> dict[str, CoreExposure]:
    """A failure without a place (the machine restarted) may be any core's: it counts on each."""
    seconds: dict[str, float] = defaultdict(float)
    passes: dict[str, int] = defaultdict(int)
    for share in shares:
        seconds[share.core] += share.seconds
        passes[share.core] += share.passes
    failed: dict[str, int] = defaultdict(int)
    for name in filter(None, (_place(item, cpus) for item in failures)):
        failed[name] += 1
    anywhere = sum(not _place(item, cpus) for item in failures)
    return {
        name: CoreExposure(seconds[name] / _SECONDS_PER_HOUR, passes[name], failed[name] + anywhere)
        for name in dict.fromkeys((*seconds, *failed))
    }


def _place(item: Failure, cpus: Mapping[int, int]) -> str:
    """Name of the core that a failure happened on; empty where it is not known."""
    if item.core is None and item.lane is None:
        return ""
    known = item.core if item.core is not None or item.lane is None else cpus.get(item.lane)
    return _core_name(known, item.lane)


def _core_name(cpu: int | None, lane: int | None) -> str:
    return f"lane {lane}" if cpu is None else f"CPU {cpu}"
