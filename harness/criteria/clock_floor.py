"""Clock floor: every core that carried load ran at least at a stated clock.

A soak is judged by the core clocks that were sampled while it ran. A trial is too short for that:
its lanes measure their clock just before they start, which shows no clock that falls under load,
and the result says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import Finding
from harness.outcome import Verdict
from harness.results import ChannelData, CriterionResult, LaneTrial, SoakData
from harness.statistics.decision import Sense, decide_against_limit
from harness.units import quantity

#: Spread of the measured clock (a dependent shift-and-xor chain timed on a steady core).
CLOCK_ACCURACY_PERCENT = 1.0
CORE_CLOCK = "core_clock"
#: Patterns in which every lane idles again and again: a low clock is then no fault.
_RESTING = ("load-steps", "idle-bursts")
_AT_START = "measured at the start of each trial"
_DURING = "sampled during the soak"


@dataclass(frozen=True)
class _Reading:
    """One core's lowest clock in a trial or a load; None with the `reason` where there is none."""

    place: str
    core: str
    when: str
    clock_hz: float | None
    reason: str = ""


class ClockFloor(LoadCriterion):
    """The lowest measured core clock is at least `at_least_ghz`."""

    title: ClassVar[str] = "Clock floor"
    criterion: Literal["clock-floor"] = "clock-floor"
    at_least_ghz: float = Field(gt=0, le=20, description="Lowest accepted core clock, in GHz.")
    accuracy_percent: float = Field(
        default=CLOCK_ACCURACY_PERCENT,
        ge=0,
        le=20,
        description="Accuracy of the measured clock (plus or minus), in percent.",
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The slowest core's slowest reading decides; a core without a reading forbids a pass."""
        chosen = self.chosen(evidence)
        loads = [load for load in chosen if load.trials or load.soaks]
        readings = [reading for load in loads for reading in _readings(load, evidence)]
        missing = [*self.not_judged(evidence), *self.not_available(chosen)]
        missing += [f"{load} did not run" for load in self._idle(chosen, loads)]
        missing += [item.reason for item in readings if item.clock_hz is None]
        found = [self._of(item, clock) for item in readings if (clock := item.clock_hz) is not None]
        if not (missing or found):
            missing = ["no core clock was measured under load"]
        result = self.decided_by(found, missing, self.at_least_ghz, "GHz")
        return self.telling_left_out(result, evidence)

    def _idle(self, chosen: Sequence[LoadEvidence], loads: list[LoadEvidence]) -> list[str]:
        ran = {load.name for load in loads}
        return [load.name for load in chosen if load.info.available and load.name not in ran]

    def _of(self, reading: _Reading, clock_hz: float) -> Finding:
        clock_ghz = clock_hz / 1e9
        reach = clock_ghz * self.accuracy_percent / 100
        low, high = clock_ghz - reach, clock_ghz + reach
        decision = decide_against_limit(low, high, self.at_least_ghz, Sense.AT_LEAST)
        return Finding(
            subject=reading.core,
            verdict=decision.verdict,
            measured=clock_ghz,
            low=low,
            high=high,
            why=f"the slowest core under load, {reading.core} in {reading.place}, ran at "
            f"{quantity(clock_hz, 'Hz')} ({reading.when}): {_against(decision.verdict)} "
            f"{quantity(self.at_least_ghz * 1e9, 'Hz')}",
            distance=clock_ghz - self.at_least_ghz,
            uncertainty=f"lowest reading, clock measured to ± {self.accuracy_percent:g} %",
        )


def _readings(load: LoadEvidence, evidence: Evidence) -> Iterator[_Reading]:
    for trial in load.trials:
        for lane in trial.lanes:
            # By its round, as the report counts: other loads' trials lie between in the run.
            place = f"trial {trial.round} of {load.name}"
            reason = f"{_core(lane)} has no clock reading at {place}"
            yield _Reading(place, _core(lane), _AT_START, lane.clock_hz, reason)
    resting = [soak.pattern for soak in load.soaks if soak.pattern in _RESTING]
    if resting:
        reason = f"{load.name} ({resting[0]}) rests between bursts: no clock under load is known"
        yield _Reading(load.name, "", _DURING, None, reason)
        return
    channels = evidence.channels(CORE_CLOCK)
    lanes = {lane.cpu: lane for soak in load.soaks for lane in soak.lanes}
    for cpu, lane in lanes.items():
        yield _sampled(load, lane, [item for item in channels if item.channel.cpu == cpu])


def _sampled(load: LoadEvidence, lane: LaneTrial, channels: list[ChannelData]) -> _Reading:
    """The lowest clock of the lane's core in the load's soaks, by the samples taken in them."""
    core = _core(lane)
    if lane.cpu is None:
        reason = f"{core} of {load.name} is not pinned: no sensor shows the clock of its core"
        return _Reading(load.name, core, _DURING, None, reason)
    clocks = [
        clock
        for soak in load.soaks
        if any(other.cpu == lane.cpu for other in soak.lanes)
        for channel in channels
        for clock in _lowest_during(soak, channel)
    ]
    reason = "" if clocks else f"no clock of {core} was sampled during the soak of {load.name}"
    return _Reading(load.name, core, _DURING, min(clocks, default=None), reason)


def _lowest_during(soak: SoakData, channel: ChannelData) -> Iterator[float]:
    """Smallest value of each block that lies wholly within the soak."""
    for item in channel.envelopes:
        end = item.at_seconds + item.duration_seconds
        if soak.started_seconds <= item.at_seconds and end <= soak.ended_seconds:
            yield item.minimum


def _core(lane: LaneTrial) -> str:
    return f"lane {lane.lane}" if lane.cpu is None else f"CPU {lane.cpu}"


def _against(verdict: Verdict) -> str:
    words = {Verdict.PASS: "not below", Verdict.FAIL: "below"}
    return words.get(verdict, "too near to tell from")
