"""Temperature ceiling: the largest reading of every channel of a role stays below a limit."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.coverage import unseen
from harness.criteria.evidence import Evidence
from harness.criteria.judging import LARGEST_READING, Finding, celsius_beside
from harness.criteria.temperature import TemperatureCriterion, highest
from harness.outcome import Verdict
from harness.results import ChannelData, CriterionResult
from harness.statistics.decision import Sense, decide_against_limit
from harness.units import stated


class TemperatureCeiling(TemperatureCriterion):
    """No reading above `at_most_celsius`; the sensor's accuracy, where known, is the guard band."""

    title: ClassVar[str] = "Temperature ceiling"
    criterion: Literal["temperature-ceiling"] = "temperature-ceiling"
    at_most_celsius: float = Field(gt=0, le=150, description="Highest accepted temperature.")
    sensor_accuracy_celsius: float | None = Field(
        default=None,
        ge=0,
        le=20,
        description="Accuracy of the sensor by its maker (plus or minus), in degrees Celsius.",
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The hottest channel decides; one that was not seen under some load forbids a pass."""
        channels = self.readable_channels(evidence)
        missing = [*self.not_shown(evidence), *unseen(channels, evidence.data)]
        found = [self._of(item) for item in channels]
        return self.decided_by(found, missing, self.at_most_celsius, "°C")

    def _of(self, channel: ChannelData) -> Finding:
        peak, accuracy = highest(channel), self.sensor_accuracy_celsius
        reach = accuracy or 0.0
        decision = decide_against_limit(
            peak - reach, peak + reach, self.at_most_celsius, Sense.AT_MOST
        )
        known = accuracy is not None
        return Finding(
            subject=channel.channel.name,
            verdict=decision.verdict,
            measured=peak,
            low=peak - reach if known else None,
            high=peak + reach if known else None,
            why=f"{channel.channel.name} reached {celsius_beside(peak, self.at_most_celsius)}, "
            f"{_against(decision.verdict)} the ceiling of {stated(self.at_most_celsius, '°C')}",
            distance=self.at_most_celsius - peak,
            uncertainty=f"sensor accuracy ± {reach:g} °C" if known else LARGEST_READING,
        )


def _against(verdict: Verdict) -> str:
    words = {Verdict.PASS: "within", Verdict.FAIL: "above"}
    return words.get(verdict, "too near to tell (sensor accuracy) from")
