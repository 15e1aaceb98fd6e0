"""Rules of a profile about roles: a misspelt role would guard, or judge, nothing at all."""

from __future__ import annotations

import re
from collections.abc import Iterator

from harness.criteria.temperature import TemperatureCriterion
from harness.errors import nearest
from harness.profile.model import AmbientChannel, Profile, Sampling
from harness.profile.positions import Step
from harness.sensors.roles import ROLES

#: What a role looks like; a channel's key holds colons, and most names hold spaces.
_ROLE_LIKE = re.compile(r"[a-z]+(_[a-z]+)+")

Place = tuple[Step, ...]


def sensor_violations(profile: Profile) -> Iterator[tuple[Place, str]]:
    """(path, message) for every role in `profile` that no channel can have."""
    yield from _of_sampling(profile.sampling)
    for index, limit in enumerate(profile.safety.limits):
        place: Place = ("safety", "limits", index)
        if limit.role not in ROLES:
            yield (*place, "role"), _unknown(limit.role)
        elif limit.unit != ROLES[limit.role]:
            message = f"received '{limit.unit}', channels of {limit.role} are in "
            yield (*place, "unit"), f"{message}{ROLES[limit.role]}"
    for path, word in _references(profile):
        if _ROLE_LIKE.fullmatch(word) and word not in ROLES:
            yield path, _unknown(word)


def _of_sampling(sampling: Sampling) -> Iterator[tuple[Place, str]]:
    for pattern, role in sampling.roles.items():
        if role and role not in ROLES:
            yield ("sampling", "roles", pattern), _unknown(role)
    for index, sensor in enumerate(sampling.external):
        if sensor.role and sensor.role not in ROLES:
            yield ("sampling", "external", index, "role"), _unknown(sensor.role)


def _references(profile: Profile) -> Iterator[tuple[Place, str]]:
    """Every place where a role, a key or a name of a channel may stand."""
    if profile.start_when is not None:
        yield ("start_when", "channel"), profile.start_when.channel
    if isinstance(profile.ambient_celsius, AmbientChannel):
        yield ("ambient_celsius", "channel"), profile.ambient_celsius.channel
    for index, spec in enumerate(profile.accept):
        if isinstance(spec, TemperatureCriterion):
            yield ("accept", index, "role"), spec.role


def _unknown(role: str) -> str:
    return f"received '{role}', which is no role; {nearest(role, list(ROLES))}"
