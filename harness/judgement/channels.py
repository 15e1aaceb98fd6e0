"""Channels over the whole run, as the reports show them; which limits guarded any of them."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.criteria.temperature import CPU_TEMPERATURE
from harness.profile.model import Profile, Safety
from harness.results import ChannelData, ChannelSummary, RunData
from harness.units import symbol_of


def summarise_channel(item: ChannelData) -> ChannelSummary:
    """Smallest, mean and largest usable value; None and the reason where there was none."""
    usable = sum(envelope.samples for envelope in item.envelopes)
    total = math.fsum(envelope.mean * envelope.samples for envelope in item.envelopes)
    known = bool(item.envelopes) and usable > 0
    return ChannelSummary(
        name=item.channel.name,
        unit=item.channel.unit,
        source=item.channel.source,
        role=item.channel.role,
        samples=item.samples,
        missing=item.missing,
        minimum=min(envelope.minimum for envelope in item.envelopes) if known else None,
        mean=total / usable if known else None,
        maximum=max(envelope.maximum for envelope in item.envelopes) if known else None,
        key=item.channel.key,
        why=_why(item),
        flagged=item.flagged,
        envelopes=item.envelopes,
    )


def _why(item: ChannelData) -> str:
    reason = item.channel.absent_reason or item.missing_reason
    if item.envelopes or reason:
        return reason
    return "every value was implausible" if item.flagged else "no reading was taken"


def guarded_limits(data: RunData, profile: Profile) -> tuple[tuple[str, str], ...]:
    """(limit, whose it is) for every safety limit that a channel of this run was held against.

    Empty when nothing was guarded: a limit on a sensor that does not exist protects nobody.
    """
    present = {item.channel.role for item in data.channels if item.envelopes}
    return tuple((text, whose) for role, text, whose in _limits(profile.safety) if role in present)


def _limits(safety: Safety) -> Iterator[tuple[str, str, str]]:
    if safety.stop_above_celsius is not None:
        text = f"{CPU_TEMPERATURE} stops above {safety.stop_above_celsius:g} °C"
        yield CPU_TEMPERATURE, text, safety.whose_limit
    for limit in safety.limits:
        symbol = symbol_of(limit.unit)
        if limit.stop_above is not None:
            yield limit.role, f"{limit.role} stops above {limit.stop_above:g} {symbol}", limit.whose
        if limit.stop_below is not None:
            yield limit.role, f"{limit.role} stops below {limit.stop_below:g} {symbol}", limit.whose
