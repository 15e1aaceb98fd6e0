"""What a reader must be told beside the numbers: cautions, and settings nobody could check."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.cautions import CAUTIONS
from harness.criteria.evidence import Evidence, readable
from harness.criteria.judging import listed
from harness.criteria.temperature import CPU_TEMPERATURE
from harness.profile.model import Profile


def cautions_of(evidence: Evidence, profile: Profile) -> tuple[str, ...]:
    """The usual cautions, then what is special to this run."""
    return (*CAUTIONS, *_special(evidence, profile))


def _special(evidence: Evidence, profile: Profile) -> Iterator[str]:
    absent = [load for load in evidence.loads if not load.info.available]
    if absent:
        reasons = listed(f"{load.name} ({load.info.reason})" for load in absent)
        yield f"Not every load of the profile ran: {reasons}."
    if not readable(evidence.channels(CPU_TEMPERATURE)):
        yield "No CPU temperature was read: nothing here says how hot the machine became."
    if not any(load.soaks for load in evidence.loads):
        yield "No sustained load was run: trials of some seconds do not show what a soak shows."
    if evidence.blind:
        yield (
            "Outliers were left out without a recorded cause, as the profile asks: intervals are "
            "then too narrow, and may claim more than was shown."
        )
    if profile.safety.stop_above_celsius is None:
        yield "The profile switched the guard's temperature limit off."


def unverified_settings(settings: Mapping[str, Any], facts: Mapping[str, Any]) -> tuple[str, ...]:
    """Names of the declared settings that no fact of the machine confirms.

    A setting is confirmed by a fact of the same name with the same value; names are compared
    without case and punctuation.
    """
    known = dict(_flat(facts))
    return tuple(
        name for name, value in settings.items() if known.get(_plain(name)) != _plain(value)
    )


def _flat(facts: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for name, value in facts.items():
        if isinstance(value, Mapping):
            yield from _flat(value)
        else:
            yield _plain(name), _plain(value)


def _plain(value: object) -> str:
    return "".join(char for char in str(value).lower() if char.isalnum() or char in ".-")
