"""Temperature margin: how far the hottest steady load stays from the limit, now or on a hot day.

A hot day adds the difference of the rooms' temperatures to the machine's: at constant power the
rise above the surroundings does not depend on them (linear heat conduction; the definition of
thermal resistance in EIA/JESD51-2). Fan control, throttling and leakage break that, so nothing is
claimed where the temperature was held by control.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.evidence import Evidence, Heating
from harness.criteria.judging import LARGEST_READING, Finding
from harness.criteria.temperature import TemperatureCriterion, highest
from harness.outcome import Verdict
from harness.results import ChannelData, CriterionResult
from harness.statistics.decision import Sense, decide_against_limit
from harness.units import temperature, temperature_difference

FITTED = "interval of the fitted steady value"


class TemperatureMargin(TemperatureCriterion):
    """At least `at_least_celsius` remain up to the limit, today or on the worst declared day."""

    title: ClassVar[str] = "Temperature margin"
    criterion: Literal["temperature-margin"] = "temperature-margin"
    at_least_celsius: float = Field(
        gt=0, le=100, description="Smallest accepted distance to the limit, in degrees Celsius."
    )
    limit_celsius: float | None = Field(
        default=None,
        gt=0,
        le=150,
        description="The limit; default: the guard's stop_above_celsius.",
    )
    when: Literal["now", "hot-day"] = Field(
        default="now", description="In today's room, or in the worst_ambient_celsius room."
    )

    def judge(self, evidence: Evidence) -> CriterionResult:
        """The hottest channel decides; a load whose end is not known forbids a pass."""
        limit = self.limit_celsius or evidence.stop_above_celsius
        reason = self._why_not(evidence, limit)
        if limit is None or reason:
            return self.not_measured(reason, limit=self.at_least_celsius, unit="K")
        hotter = evidence.room.hotter_by_celsius if self.when == "hot-day" else None
        warmer = max(0.0, hotter or 0.0)
        channels = self.readable_channels(evidence)
        found = [
            self._of(channel, self._heating(evidence, channel), limit, warmer)
            for channel in channels
        ]
        return self.decided_by(
            found, self._unknown_ends(evidence, channels), self.at_least_celsius, "K"
        )

    def _unknown_ends(self, evidence: Evidence, channels: Sequence[ChannelData]) -> list[str]:
        """Loads of which it is not known how hot they would become: what was read is not enough."""
        keys = {item.channel.key for item in channels}
        fits = [item for item in evidence.heating if item.channel in keys]
        if not fits:
            return [evidence.heating_reason]
        return [f"{item.load}: {item.reason}" for item in fits if item.steady_celsius is None]

    def _why_not(self, evidence: Evidence, limit: float | None) -> str:
        if limit is None:
            return "neither limit_celsius nor the guard's stop_above_celsius is set"
        channels = self.readable_channels(evidence)
        if not channels:
            return self.why_absent(evidence)
        if self.when == "hot-day" and evidence.room.hotter_by_celsius is None:
            return evidence.room.reason or "the profile declares no worst_ambient_celsius"
        keys = {item.channel.key for item in channels}
        held = [item for item in evidence.heating if item.channel in keys and item.held_by_control]
        return f"{held[0].load}: {held[0].reason}" if held else ""

    def _heating(self, evidence: Evidence, channel: ChannelData) -> tuple[Heating, ...]:
        return tuple(item for item in evidence.heating if item.channel == channel.channel.key)

    def _of(
        self, channel: ChannelData, heating: tuple[Heating, ...], limit: float, warmer: float
    ) -> Finding:
        peak = highest(channel)
        fitted = [item for item in heating if item.steady_celsius is not None]
        hottest = max(fitted, key=lambda item: item.steady_celsius or 0.0, default=None)
        value, low, high = (each + warmer for each in _expected(peak, hottest))
        decision = decide_against_limit(
            limit - high, limit - low, self.at_least_celsius, Sense.AT_LEAST
        )
        return Finding(
            subject=channel.channel.name,
            verdict=decision.verdict,
            measured=limit - value,
            low=None if hottest is None else limit - high,
            high=None if hottest is None else limit - low,
            why=self._sentence(channel.channel.name, value, limit, decision.verdict, hottest),
            distance=limit - value,
            uncertainty=LARGEST_READING if hottest is None else FITTED,
        )

    def _sentence(
        self, name: str, reached: float, limit: float, verdict: Verdict, hottest: Heating | None
    ) -> str:
        lasting = "reached" if hottest is None else "reaches under lasting load"
        verb = "would reach on the hot day" if self.when == "hot-day" else lasting
        margin = limit - reached
        side = "below" if margin >= 0 else "above"
        return (
            f"{name} {verb} {temperature(reached)}, {temperature_difference(abs(margin))} {side} "
            f"the limit of {temperature(limit)}: {_ENOUGH.get(verdict, 'too near to tell')}"
        )


_ENOUGH = {Verdict.PASS: "enough", Verdict.FAIL: "too little"}


def _expected(peak: float, hottest: Heating | None) -> tuple[float, float, float]:
    """Temperature to expect of a lasting load, with its limits: never below what was read."""
    if hottest is None or hottest.steady_celsius is None:
        return peak, peak, peak
    low, high = hottest.steady_low, hottest.steady_high
    return (
        max(peak, hottest.steady_celsius),
        max(peak, hottest.steady_celsius if low is None else low),
        max(peak, hottest.steady_celsius if high is None else high),
    )
