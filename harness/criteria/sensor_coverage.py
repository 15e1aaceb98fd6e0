"""Sensor coverage: the channels of a role gave plausible values nearly all the time."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.evidence import Evidence
from harness.criteria.judging import COUNT_EXACT, Finding
from harness.criteria.temperature import TemperatureCriterion, usable_percent
from harness.outcome import Verdict
from harness.results import ChannelData, CriterionResult
from harness.units import percent


class SensorCoverage(TemperatureCriterion):
    """Of the samples due, at least `at_least_percent` gave a plausible value."""

    title: ClassVar[str] = "Sensor coverage"
    criterion: Literal["sensor-coverage"] = "sensor-coverage"
    at_least_percent: float = Field(
        default=95.0, gt=0, le=100, description="Smallest accepted share of usable samples."
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The channel that was seen least decides; a role without channels is not measured."""
        channels = [item for item in evidence.channels(self.role) if item.samples + item.missing]
        missing = [] if channels else [self.why_absent(evidence)]
        found = [self._of(item) for item in channels]
        return self.decided_by(found, missing, self.at_least_percent, "%")

    def _of(self, channel: ChannelData) -> Finding:
        share = usable_percent(channel)
        lost = channel.missing_reason
        because = f" ({lost})" if lost and channel.missing else ""
        return Finding(
            subject=channel.channel.name,
            verdict=Verdict.PASS if share >= self.at_least_percent else Verdict.FAIL,
            measured=share,
            low=share,
            high=share,
            why=f"{channel.channel.name} gave a usable value in {percent(share, digits=3)} of its "
            f"samples{because}, {percent(self.at_least_percent)} are asked for",
            distance=share,
            uncertainty=COUNT_EXACT,
        )
