"""Steady temperature: the soak lasted until the temperature had settled."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.evidence import Evidence, Heating
from harness.criteria.judging import Finding
from harness.criteria.temperature import TemperatureCriterion
from harness.results import ChannelData, CriterionResult
from harness.statistics.decision import Sense, decide_against_limit
from harness.units import temperature, temperature_difference


class SteadyTemperature(TemperatureCriterion):
    """No soak would have risen by more than `rise_left_at_most_celsius` had it gone on."""

    title: ClassVar[str] = "Temperature has settled"
    criterion: Literal["steady-temperature"] = "steady-temperature"
    rise_left_at_most_celsius: float = Field(
        default=1.0,
        gt=0,
        le=50,
        description="Largest accepted rise still to come, by the fit, in degrees Celsius.",
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The soak that had furthest to go decides."""
        channels = self.readable_channels(evidence)
        missing = self.not_shown(evidence)
        missing += [why for channel in channels for why in _unfitted(evidence, channel)]
        keys = {channel.channel.key for channel in channels}
        fits = [item for item in evidence.heating if item.channel in keys]
        found = [self._of(item) for item in fits if item.rise_left_celsius is not None]
        return self.decided_by(found, missing, self.rise_left_at_most_celsius, "K")

    def _of(self, heating: Heating) -> Finding:
        rise = heating.rise_left_celsius or 0.0
        limit = self.rise_left_at_most_celsius
        decision = decide_against_limit(
            heating.rise_left_low, heating.rise_left_high, limit, Sense.AT_MOST
        )
        steady = (
            "" if heating.steady_celsius is None else (f" to {temperature(heating.steady_celsius)}")
        )
        return Finding(
            subject=heating.load,
            verdict=decision.verdict,
            measured=rise,
            low=heating.rise_left_low,
            high=heating.rise_left_high,
            why=f"at the end of {heating.load} another {temperature_difference(rise)}{steady} was "
            f"to come ({temperature_difference(limit)} accepted): {decision.why}",
            distance=limit - rise,
            uncertainty="interval of the first-order fit",
        )


def _unfitted(evidence: Evidence, channel: ChannelData) -> Iterator[str]:
    """Why it is not known what was still to come on this channel: no pass, whatever others show."""
    fits = [item for item in evidence.heating if item.channel == channel.channel.key]
    if not fits:
        unfitted = f"{channel.channel.name}: no fit shows where its temperature ends"
        yield unfitted if evidence.heating else evidence.heating_reason
    for item in fits:
        if item.rise_left_celsius is None:
            yield f"{item.load}: {item.reason}"
