"""What a reader must be told beside the numbers."""

from __future__ import annotations

from collections.abc import Iterator

from harness.cautions import CAUTIONS, UNPROVEN
from harness.criteria.evidence import Evidence, readable
from harness.criteria.judging import listed
from harness.criteria.temperature import CPU_TEMPERATURE
from harness.machine.declared import Standing, check_settings
from harness.profile.model import Profile


def cautions_of(evidence: Evidence, profile: Profile) -> tuple[str, ...]:
    """The usual cautions, then what is special to this run."""
    return (*CAUTIONS, *_special(evidence, profile))


def _special(evidence: Evidence, profile: Profile) -> Iterator[str]:
    yield f"Of this tool's own sensing, {UNPROVEN}."
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
    for setting in check_settings(evidence.data.settings, evidence.data.facts):
        if setting.standing is Standing.CONTRADICTED:
            yield f"{setting.name} was declared as {setting.declared}, but {setting.why}."
