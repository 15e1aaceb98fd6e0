"""Temperature margin: how far the hottest steady load stays from the limit, now or on a hot day.

A hot day adds the difference of the rooms' temperatures to the machine's: at constant power the
rise above the surroundings does not depend on them (linear heat conduction; the definition of
thermal resistance in EIA/JESD51-2). Fan control, throttling and leakage break that, so nothing is
claimed where the temperature was held by control.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

from pydantic import Field

from harness.criteria.coverage import unseen
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
        """The worst fit of any channel decides; a load whose end is not known forbids a pass."""
        limit = self.limit_celsius or evidence.stop_above_celsius
        reason = self._why_not(evidence, limit)
        if limit is None or reason:
            return self.not_measured(reason, limit=self.at_least_celsius, unit="K")
        hotter = evidence.room.hotter_by_celsius if self.when == "hot-day" else None
        warmer = max(0.0, hotter or 0.0)
        channels = self.readable_channels(evidence)
        found = [
            self._of(channel, case, limit)
            for channel in channels
            for case in _cases(channel, _heating(evidence, channel), warmer)
        ]
        missing = [*self.not_shown(evidence), *unseen(channels, evidence.data)]
        missing += [why for channel in channels for why in _unknown_ends(evidence, channel)]
        return self.decided_by(found, missing, self.at_least_celsius, "K")

    def _why_not(self, evidence: Evidence, limit: float | None) -> str:
        if limit is None:
            return "neither limit_celsius nor the guard's stop_above_celsius is set"
        if not self.readable_channels(evidence):
            return self.why_absent(evidence)
        if self.when == "hot-day" and evidence.room.hotter_by_celsius is None:
            return evidence.room.reason or "the profile declares no worst_ambient_celsius"
        return ""

    def _of(self, channel: ChannelData, case: _Case, limit: float) -> Finding:
        decision = decide_against_limit(
            limit - case.high, limit - case.low, self.at_least_celsius, Sense.AT_LEAST
        )
        return Finding(
            subject=channel.channel.name,
            verdict=decision.verdict,
            measured=limit - case.expected,
            low=limit - case.high if case.fitted else None,
            high=limit - case.low if case.fitted else None,
            why=self._sentence(channel.channel.name, case, limit, decision.verdict),
            distance=limit - case.high,
            uncertainty=FITTED if case.fitted else LARGEST_READING,
        )

    def _sentence(self, name: str, case: _Case, limit: float, verdict: Verdict) -> str:
        lasting = f"reaches under lasting {case.load}" if case.fitted else "reached"
        verb = "would reach on the hot day" if self.when == "hot-day" and not case.held else lasting
        margin = limit - case.expected
        side = "below" if margin >= 0 else "above"
        return (
            f"{name} {verb} {temperature(case.expected)}, {temperature_difference(abs(margin))} "
            f"{side} the limit of {temperature(limit)}: {_ENOUGH.get(verdict, 'too near to tell')}"
        )


_ENOUGH = {Verdict.PASS: "enough", Verdict.FAIL: "too little"}


@dataclass(frozen=True)
class _Case:
    """A temperature to reckon with in °C, and its limits: of one fit, or what was read."""

    expected: float
    low: float
    high: float
    load: str = ""
    held: bool = False

    @property
    def fitted(self) -> bool:
        return bool(self.load)


def _heating(evidence: Evidence, channel: ChannelData) -> tuple[Heating, ...]:
    return tuple(item for item in evidence.heating if item.channel == channel.channel.key)


def _has_end(item: Heating) -> bool:
    return item.steady_celsius is not None and not item.held_by_control


def _cases(channel: ChannelData, heating: Sequence[Heating], warmer: float) -> Iterator[_Case]:
    """What was read, unless a fit says more, and each fit: never below what was read.

    A reading that may have been held by control is not shifted to the hot day's room: it stands as
    it was read.
    """
    held = any(item.held_by_control for item in heating)
    peak = highest(channel) + (0.0 if held else warmer)
    fits = [item for item in heating if _has_end(item)]
    if held or not fits:
        yield _Case(peak, peak, peak, held=held)
    for item in fits:
        steady = item.steady_celsius or 0.0
        low = steady if item.steady_low is None else item.steady_low
        high = steady if item.steady_high is None else item.steady_high
        expected, least, most = (max(peak, each + warmer) for each in (steady, low, high))
        yield _Case(expected, least, most, load=item.load)


def _unknown_ends(evidence: Evidence, channel: ChannelData) -> Iterator[str]:
    """Loads of which it is not known how hot they would make the channel: no pass."""
    heating = _heating(evidence, channel)
    if not heating:
        name = channel.channel.name
        unfitted = f"{name}: no fit shows where its temperature ends"
        yield unfitted if evidence.heating else evidence.heating_reason
    for item in heating:
        if not _has_end(item):
            yield f"{item.load}: {item.reason}"
