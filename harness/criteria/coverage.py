"""Whether a channel was seen while load ran: of the whole run, and of each stretch of load.

A peak that nobody saw is no proof of a low one. Over the whole run the samples are counted; in each
trial and soak it is the time between two readings that tells, so that a sensor that is lost for
one short load is not covered up by the hours before it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from harness.results import ChannelData, Envelope, EventKind, RunData, SoakData, TrialData
from harness.units import duration, percent

#: A highest reading of a channel that was seen for a smaller share than this proves no pass:
#: the peak may have been missed. Common practice, no source.
LEAST_COVERAGE_PERCENT = 90.0
#: Readings as far apart as this still follow each other, and a last one this long before a load's
#: end still speaks of all of it: one may come late, and a block of readings counts for the second
#: it began in. Common practice, no source.
LATEST_READING_SECONDS = 5.0
#: The same for a sensor that is read more seldom, in its own intervals.
_LATEST_READINGS = 3.0


@dataclass(frozen=True)
class _Gap:
    """Seconds without a usable value, somewhere between `start` and `end`."""

    start: float
    end: float
    seconds: float


@dataclass(frozen=True)
class _Stretch:
    """One trial or soak on the run's time axis."""

    load: int
    start: float
    end: float

    def lost_to(self, gap: _Gap) -> float:
        """The most of its seconds that may lie in a gap."""
        shared = max(0.0, min(self.end, gap.end) - max(self.start, gap.start))
        return min(shared, gap.seconds)


def usable_percent(channel: ChannelData, data: RunData) -> float:
    """Share of what was due that gave a plausible value, in percent.

    Of the samples or of the time under load, whichever is less: a sampler that stood still leaves
    no sample that could be counted as missing.
    """
    return min(_sampled_percent(channel, data), _seen_percent(channel, data))


def _sampled_percent(channel: ChannelData, data: RunData) -> float:
    """Samples that were dropped on their way to the record were due, too: each channel's part."""
    every = sum(item.samples + item.missing for item in data.channels)
    own = channel.samples + channel.missing
    due = own * (1.0 + _dropped(data) / every) if every else 0.0
    return 100.0 * (channel.samples - channel.flagged) / due if due else 0.0


def _dropped(data: RunData) -> float:
    counts = (it.data.get("samples") for it in data.events if it.kind is EventKind.DROPPED)
    return sum(count for count in counts if isinstance(count, int | float))


def _seen_percent(channel: ChannelData, data: RunData) -> float:
    stretches = _stretches(data)
    loaded = sum(it.end - it.start for it in stretches)
    lost = sum(
        min(gap.seconds, sum(it.lost_to(gap) for it in stretches))
        for gap in _gaps(channel.envelopes, data)
    )
    return 100.0 * (1.0 - lost / loaded) if loaded > 0.0 else 100.0


def unseen(channels: Sequence[ChannelData], data: RunData) -> list[str]:
    """Why readable `channels` were seen too little to know their highest value, one reason each."""
    return [why for item in channels for why in _why_unseen(item, data)]


def _why_unseen(item: ChannelData, data: RunData) -> Iterator[str]:
    share, name = _sampled_percent(item, data), item.channel.name
    if share < LEAST_COVERAGE_PERCENT:
        yield f"{name} gave a usable value for only {percent(share, digits=3)} of the run"
        return
    gaps = list(_gaps(item.envelopes, data))
    lost = [(sum(it.lost_to(gap) for gap in gaps), it) for it in _stretches(data)]
    most = 1.0 - LEAST_COVERAGE_PERCENT / 100.0
    beyond = [(seconds, it) for seconds, it in lost if seconds > most * (it.end - it.start)]
    if beyond:
        seconds, stretch = max(beyond, key=lambda pair: pair[0])
        load = next((it.name for it in data.loads if it.number == stretch.load), "a load")
        of_all = duration(stretch.end - stretch.start)
        yield f"{name} gave no usable value for {duration(seconds)} of the {of_all} of {load}"


def _stretches(data: RunData) -> list[_Stretch]:
    every: tuple[TrialData | SoakData, ...] = (*data.trials, *data.soaks)
    return [_Stretch(it.load, it.started_seconds, it.ended_seconds) for it in every]


def _gaps(envelopes: Sequence[Envelope], data: RunData) -> Iterator[_Gap]:
    """Spans without a value that are too long for a reading that came late.

    Of a long run an envelope may be minutes wide: one that holds too few values has its gap
    inside, nobody knows where.
    """
    ordered = sorted(envelopes, key=lambda item: item.at_seconds)
    stretches = _stretches(data)
    first = min((item.start for item in stretches), default=0.0)
    last = max((item.end for item in stretches), default=0.0)
    ends = [first, *(item.at_seconds + item.duration_seconds for item in ordered)]
    starts = [*(item.at_seconds for item in ordered), last]
    longest = _longest_wait(ordered)
    for since, until in zip(ends, starts, strict=True):
        if until - since > longest:
            yield _Gap(since, until, until - since)
    yield from _thin(ordered)


def _thin(ordered: Sequence[Envelope]) -> Iterator[_Gap]:
    """Envelopes, but the first and the last, that hold fewer values than the others."""
    inner = ordered[1:-1]
    rates = [item.samples / item.duration_seconds for item in inner if item.duration_seconds > 0.0]
    usual = median(rates) if rates else 0.0
    for item in inner:
        absent = usual * item.duration_seconds - item.samples
        if absent > _LATEST_READINGS and absent / usual > LATEST_READING_SECONDS:
            end = item.at_seconds + item.duration_seconds
            yield _Gap(item.at_seconds, end, absent / usual)


def _longest_wait(ordered: Sequence[Envelope]) -> float:
    """How long after one reading the next may come, by how far apart this channel's usually are."""
    waits = [
        later.at_seconds - earlier.at_seconds - earlier.duration_seconds
        for earlier, later in pairwise(ordered)
    ]
    usual = median(waits) if waits else 0.0
    return max(LATEST_READING_SECONDS, _LATEST_READINGS * usual)
