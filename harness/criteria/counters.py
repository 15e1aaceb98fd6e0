"""What the criteria about counted events share: the counters of a role and their increase."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from pydantic import Field

from harness.criteria.base import CriterionSpec
from harness.criteria.coverage import LATEST_READING_SECONDS
from harness.criteria.evidence import Evidence
from harness.criteria.judging import COUNT_EXACT, plural
from harness.outcome import Verdict
from harness.results import Boot, ChannelData, CriterionResult, Envelope, Event, EventKind, RunData
from harness.sensors.hardware_errors import memory_count
from harness.units import duration

_MOST_NAMED = 3


@dataclass(frozen=True)
class Countable:
    """What is counted, and whose counters can show that it did not happen.

    A rise of any counter with one of `roles` fails. That there was none is shown only by counters
    of `witness_role` from `witness_source`: alarms that firmware or a hypervisor may keep to
    itself, or those of another device, stay at 0 whatever the machine suffers.
    `unwitnessed` is the sentence for when there is no witness.
    """

    noun: str
    kind: EventKind
    roles: tuple[str, ...]
    witness_role: str
    witness_source: str
    unwitnessed: str

    def witnesses(self, item: ChannelData) -> bool:
        """True when this counter standing still shows that nothing happened."""
        channel = item.channel
        return channel.role == self.witness_role and channel.source == self.witness_source


@dataclass(frozen=True)
class Counted:
    """How much the readable counters rose during the run, and the events that told of it.

    `missing` says why counters of the same source and role could not be read, or not to the end,
    `unwitnessed` why the counters that were read cannot show that nothing happened.
    """

    increase: int
    counters: tuple[ChannelData, ...]
    events: tuple[Event, ...]
    missing: tuple[str, ...] = ()
    unwitnessed: str = ""


class CounterCriterion(CriterionSpec):
    """At most so many events of one kind over the whole run."""

    at_most: int = Field(default=0, ge=0, le=10**9, description="Largest accepted number.")

    def judge_counters(self, evidence: Evidence, what: Countable) -> CriterionResult:
        """Sum the increase of all counters of `what`, and the events that told of it.

        Too many events fail whatever else could be read; few enough pass only when every counter
        was read that the source has, and one of them is a witness.
        """
        counted = count_events(evidence, what)
        unit = f"{what.noun}s"
        if not counted.counters and not counted.events:
            why = f"this system gives no counter of {unit}, so their number is unknown, not 0"
            return self.not_measured(why, limit=self.at_most, unit=unit)
        sentence = _sentence(counted, what.noun, self.at_most)
        within = counted.increase <= self.at_most
        lack = (*counted.missing, counted.unwitnessed)[0]
        if within and lack:
            why = f"{lack} (as far as they were read: {sentence})"
            return self.not_measured(why, limit=self.at_most, unit=unit)
        return self.result(
            Verdict.PASS if within else Verdict.FAIL,
            sentence,
            measured=counted.increase,
            limit=self.at_most,
            unit=unit,
            uncertainty=COUNT_EXACT,
        )


def count_events(evidence: Evidence, what: Countable) -> Counted:
    """Increase over the run of the counters of `what`, and the events that told of it.

    Each error and each event counts once, whoever counted it: see `_once`.
    """
    counters = [it for role in what.roles for it in evidence.channels(role) if it.channel.counter]
    read = tuple(item for item in counters if _is_read(item))
    kinds = {_source_and_role(item) for item in read}
    ends = load_ends(evidence.data)
    lost = {item.channel.key: why for item in counters if (why := _why_unread(item, ends))}
    missing = tuple(
        f"{item.channel.name}: {lost[item.channel.key]}"
        for item in counters
        if item.channel.key in lost and (not kinds or _source_and_role(item) in kinds)
    )
    restarts = restarts_of(evidence.data.boots)
    rise = _once((item.channel.key, increase_of(item, restarts)) for item in read)
    events = tuple(item for item in evidence.data.events if item.kind is what.kind)
    told = _once((str(item.data.get("channel", "")), 1.0) for item in events)
    witnessed = any(what.witnesses(item) and item.channel.key not in lost for item in read)
    lack = "" if witnessed else _no_witness(what, counters, lost)
    return Counted(max(round(rise), round(told)), read, events, missing, lack)


def _once(counts: Iterable[tuple[str, float]]) -> float:
    """The sum of (channel's key, count), in which no memory error is counted twice.

    An error of a module is one of its controller too: the larger of the controller's count and
    the sum over its modules.
    """
    total = 0.0
    controllers: dict[tuple[str, str], list[float]] = defaultdict(lambda: [0.0, 0.0])
    for key, count in counts:
        memory = memory_count(key)
        if memory is None:
            total += count
        else:
            controllers[memory.controller, memory.item][memory.of_module] += count
    return total + sum(map(max, controllers.values()))


def _no_witness(what: Countable, counters: Sequence[ChannelData], lost: Mapping[str, str]) -> str:
    reasons = [
        lost[item.channel.key]
        for item in counters
        if what.witnesses(item) and item.channel.key in lost
    ]
    return "; ".join([*reasons[:1], what.unwitnessed])


def _source_and_role(item: ChannelData) -> tuple[str, str]:
    return item.channel.source, item.channel.role or ""


def _is_read(item: ChannelData) -> bool:
    return item.first_value is not None and item.last_value is not None


def _why_unread(item: ChannelData, ends: Sequence[LoadEnd]) -> str:
    """Why the counter says nothing of some load's end; empty where it was read to all of them."""
    why = item.channel.absent_reason or item.missing_reason or "it gave no value"
    if not _is_read(item):
        return why
    for end in ends:
        seen = [
            envelope.at_seconds + envelope.duration_seconds
            for envelope in item.envelopes
            if envelope.at_seconds < end.until_seconds
        ]
        if max(seen, default=-math.inf) < end.at_seconds - LATEST_READING_SECONDS:
            at = duration(end.at_seconds)
            return f"no value when the load ended, {at} into the run: {why}"
    return ""


@dataclass(frozen=True)
class LoadEnd:
    """When the last load of a stretch without restart ended, and when the machine restarted."""

    at_seconds: float
    until_seconds: float


def load_ends(data: RunData) -> tuple[LoadEnd, ...]:
    """One for each stretch between restarts that had a load: no later value can stand for it.

    Within a stretch a counter's last value holds all that happened before, whatever was missed.
    """
    ends = [trial.ended_seconds for trial in data.trials]
    ends += [soak.ended_seconds for soak in data.soaks]
    edges = (-math.inf, *restarts_of(data.boots), math.inf)
    return tuple(
        LoadEnd(max(inside), until)
        for since, until in pairwise(edges)
        if (inside := [end for end in ends if since < end <= until])
    )


def restarts_of(boots: Sequence[Boot]) -> tuple[float, ...]:
    """When the machine restarted, on the run's time axis; going on in the same boot is none."""
    ordered = sorted(boots, key=lambda boot: boot.offset_seconds)
    return tuple(
        later.offset_seconds
        for earlier, later in pairwise(ordered)
        if earlier.boot_id != later.boot_id
    )


def increase_of(channel: ChannelData, restarts: Sequence[float]) -> float:
    """The sum of the counter's positive steps; a restart of the machine begins anew.

    After a restart the first value is where counting begins: what the counter already shows then
    happened outside the run. A counter that falls within a boot was set to zero, and what it
    shows then it has counted since.
    """
    total, value, seen_until = 0.0, channel.first_value or 0.0, float("-inf")
    for item in channel.envelopes:
        end = item.at_seconds + item.duration_seconds
        inside = [at for at in restarts if seen_until <= at < end]
        if inside and max(inside) <= item.at_seconds:
            value = item.minimum
        step, value = _across(item, value) if inside else _within(item, value)
        total, seen_until = total + step, end
    last = channel.last_value or 0.0
    return total + (last - value if last >= value else last)


def _within(item: Envelope, value: float) -> tuple[float, float]:
    """(increase, value afterwards) of a block in which the machine ran on."""
    if item.minimum >= value:
        return item.maximum - value, item.maximum
    rise = max(item.maximum - value, 0.0)
    since = item.minimum if item.maximum >= value else item.maximum
    return rise + since, since


def _across(item: Envelope, value: float) -> tuple[float, float]:
    """The same of the block of a restart, which holds the ends of two boots or begins one."""
    if item.minimum >= value:
        return item.maximum - value, item.maximum
    return max(item.maximum - value, 0.0), item.minimum


def _sentence(counted: Counted, noun: str, limit: int) -> str:
    if not counted.increase:
        return f"no {noun} was counted; watched: {_names(counted.counters)}"
    first = f"; the first: {counted.events[0].text}" if counted.events else ""
    return f"{plural(counted.increase, noun)} counted, {limit} accepted{first}"


def _names(counters: Sequence[ChannelData]) -> str:
    """The first few counters by name; a machine may have hundreds."""
    named = [item.channel.name for item in counters[:_MOST_NAMED]]
    more = len(counters) - len(named)
    return "; ".join(named) + (f" and {more} more" if more else "")
