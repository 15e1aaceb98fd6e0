"""Sensor coverage: the channels of a role gave plausible values nearly all the time."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.coverage import usable_percent
from harness.criteria.evidence import Evidence
from harness.criteria.judging import COUNT_EXACT, Finding, percent_beside
from harness.criteria.temperature import TemperatureCriterion, why_silent
from harness.outcome import Verdict
from harness.results import ChannelData, CriterionResult, RunData
from harness.units import stated


class SensorCoverage(TemperatureCriterion):
    """At least `at_least_percent` of what was due gave a plausible value.

    Due are the samples, those that were dropped on their way too, and the time under load.
    """

    title: ClassVar[str] = "Sensor coverage"
    criterion: Literal["sensor-coverage"] = "sensor-coverage"
    at_least_percent: float = Field(
        default=95.0, gt=0, le=100, description="Smallest accepted share of usable samples."
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The channel that was seen least decides; one that was never read forbids a pass."""
        channels = [
            item
            for item in evidence.channels(self.role)
            if item.samples + item.missing and not _never_plausible(item)
        ]
        asked = {item.channel.key for item in channels}
        missing = [] if channels else [self.why_absent(evidence)]
        missing += [
            why_silent(item)
            for item in self.silent_channels(evidence)
            if item.channel.key not in asked
        ]
        found = [self._of(item, evidence.data) for item in channels]
        return self.decided_by(found, missing, self.at_least_percent, "%")

    def _of(self, channel: ChannelData, data: RunData) -> Finding:
        share = usable_percent(channel, data)
        shown = percent_beside(share, self.at_least_percent, 100.0, digits=3)
        lost = channel.missing_reason
        because = f" ({lost})" if lost and channel.missing else ""
        return Finding(
            subject=channel.channel.name,
            verdict=Verdict.PASS if share >= self.at_least_percent else Verdict.FAIL,
            measured=share,
            low=share,
            high=share,
            why=f"{channel.channel.name} gave a usable value in {shown} of what was due{because}, "
            f"{stated(self.at_least_percent, '%')} are asked for",
            distance=share,
            uncertainty=COUNT_EXACT,
        )


def _never_plausible(channel: ChannelData) -> bool:
    """True for an input that gave numbers and not one that can be true: nothing is connected."""
    return 0 < channel.samples == channel.flagged
