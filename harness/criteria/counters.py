"""What the criteria about counted events share: the counters of a role and their increase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import Field

from harness.criteria.base import CriterionSpec
from harness.criteria.evidence import Evidence
from harness.criteria.judging import COUNT_EXACT, plural
from harness.outcome import Verdict
from harness.results import ChannelData, CriterionResult, Event, EventKind


@dataclass(frozen=True)
class Counted:
    """How much the readable counters rose during the run, and the events that told of it."""

    increase: int
    counters: tuple[ChannelData, ...]
    events: tuple[Event, ...]


class CounterCriterion(CriterionSpec):
    """At most so many events of one kind over the whole run."""

    at_most: int = Field(default=0, ge=0, le=10**9, description="Largest accepted number.")

    def judge_counters(
        self, evidence: Evidence, roles: Sequence[str], kind: EventKind, noun: str
    ) -> CriterionResult:
        """Sum the increase of all counters with one of `roles`, and the events of `kind`."""
        counted = count_events(evidence, roles, kind)
        if not counted.counters and not counted.events:
            return self.not_measured(
                f"this system gives no counter of {noun}s, so their number is unknown, not 0",
                limit=self.at_most,
                unit=f"{noun}s",
            )
        within = counted.increase <= self.at_most
        return self.result(
            Verdict.PASS if within else Verdict.FAIL,
            _sentence(counted, noun, self.at_most),
            measured=counted.increase,
            limit=self.at_most,
            unit=f"{noun}s",
            uncertainty=COUNT_EXACT,
        )


def count_events(evidence: Evidence, roles: Sequence[str], kind: EventKind) -> Counted:
    """Increase of the counters with one of `roles` over the run, and the events of `kind`."""
    counters = [
        item
        for role in roles
        for item in evidence.channels(role)
        if item.channel.counter and item.first_value is not None and item.last_value is not None
    ]
    rise = sum(_increase(item) for item in counters)
    events = tuple(item for item in evidence.data.events if item.kind is kind)
    return Counted(max(round(rise), len(events)), tuple(counters), events)


def _increase(channel: ChannelData) -> float:
    """Last minus first value; a counter that was reset shows what it counted since."""
    first, last = channel.first_value or 0.0, channel.last_value or 0.0
    return last - first if last >= first else last


def _sentence(counted: Counted, noun: str, limit: int) -> str:
    watched = plural(len(counted.counters), "counter")
    if not counted.increase:
        return f"no {noun} was counted ({watched} watched)"
    first = f"; the first: {counted.events[0].text}" if counted.events else ""
    return f"{plural(counted.increase, noun)} counted, {limit} accepted{first}"
