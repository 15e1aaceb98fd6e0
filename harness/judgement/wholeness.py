"""Whether a record holds all that a profile asks for: damage, and loads that it lacks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.profile.model import Load, Profile
from harness.results import LoadInfo, RunData

#: How the reader's banners begin that tell of no loss: an older schema, read on a copy.
HARMLESS = ("schema version ",)


#: Parameters whose 0 stands for what the run decides and records.
_BY_THE_RUN = ("lanes_sharing",)


def damage_of(data: RunData) -> tuple[str, ...]:
    """The reader's banners that tell of a loss. A banner nobody knows here counts as one."""
    return tuple(banner for banner in data.banners if not banner.startswith(HARMLESS))


def lacking_loads(data: RunData, profile: Profile) -> tuple[str, ...]:
    """Why loads of `profile` are not in the record, one sentence each.

    A load that is there but could not run on the machine is not lacking: the record says why.
    """
    by_name = {info.name: info for info in data.loads}
    reasons = (_why_lacking(load, by_name.get(load.name)) for load in profile.loads)
    return tuple(reason for reason in reasons if reason)


def _why_lacking(load: Load, info: LoadInfo | None) -> str:
    if info is None:
        return f"no load named {load.name}"
    if info.workload != load.workload:
        return f"{load.name} ran {info.workload}, not {load.workload}"
    if (info.trials == 0) is not load.is_soak:
        asked, ran = ("a soak", "trials") if load.is_soak else ("trials", "a soak")
        return f"{load.name} ran as {ran}, not as {asked}"
    if not (info.available and info.parameters):
        return ""
    recorded = _as_recorded(info.parameters)
    wanted = _as_recorded(load.parameters)
    wanted = {key: value for key, value in wanted.items() if value or key not in _BY_THE_RUN}
    changed = [key for key, value in wanted.items() if recorded.get(key) != value]
    return f"{load.name} ran with another {changed[0]}" if changed else ""


def _as_recorded(parameters: Mapping[str, Any]) -> dict[str, Any]:
    """Parameters as the record's JSON gives them back: a list of words is a tuple in a profile."""
    return {
        key: list(value) if isinstance(value, tuple) else value for key, value in parameters.items()
    }
