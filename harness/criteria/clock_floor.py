"""Clock floor: every core that carried load ran at least at a stated clock."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.base import LoadCriterion
from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import Finding
from harness.outcome import Verdict
from harness.results import CriterionResult, LaneTrial
from harness.statistics.decision import Sense, decide_against_limit
from harness.units import quantity

#: Spread of the measured clock (a dependent shift-and-xor chain timed on a steady core).
CLOCK_ACCURACY_PERCENT = 1.0


@dataclass(frozen=True)
class _Reading:
    load: str
    when: str
    lane: LaneTrial
    clock_hz: float


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
        """The slowest core's slowest reading decides."""
        loads = self.chosen(evidence)
        readings = [reading for load in loads for reading in _readings(load)]
        if not readings:
            return self.not_measured(
                "no core clock was measured under load", limit=self.at_least_ghz, unit="GHz"
            )
        slowest = min(readings, key=lambda reading: reading.clock_hz)
        return self.from_finding(self._of(slowest), self.at_least_ghz, "GHz")

    def _of(self, reading: _Reading) -> Finding:
        clock_ghz = reading.clock_hz / 1e9
        reach = clock_ghz * self.accuracy_percent / 100
        low, high = clock_ghz - reach, clock_ghz + reach
        decision = decide_against_limit(low, high, self.at_least_ghz, Sense.AT_LEAST)
        core = (
            f"lane {reading.lane.lane}"
            if reading.lane.cpu is None
            else (f"core {reading.lane.cpu}")
        )
        return Finding(
            subject=core,
            verdict=decision.verdict,
            measured=clock_ghz,
            low=low,
            high=high,
            why=f"the slowest core under load, {core} in {reading.load} ({reading.when}), ran at "
            f"{quantity(reading.clock_hz, 'Hz')}: {_against(decision.verdict)} "
            f"{quantity(self.at_least_ghz * 1e9, 'Hz')}",
            uncertainty=f"lowest reading, clock measured to ± {self.accuracy_percent:g} %",
        )


def _readings(load: LoadEvidence) -> Iterator[_Reading]:
    stretches = [(f"trial {trial.number}", trial.lanes) for trial in load.trials]
    stretches += [("soak", soak.lanes) for soak in load.soaks]
    for when, lanes in stretches:
        for lane in lanes:
            if lane.clock_hz is not None:
                yield _Reading(load.name, when, lane, lane.clock_hz)


def _against(verdict: Verdict) -> str:
    words = {Verdict.PASS: "not below", Verdict.FAIL: "below"}
    return words.get(verdict, "too near to tell from")
