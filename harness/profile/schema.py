"""The JSON Schema of profiles, for editors that complete and check while one types."""

from __future__ import annotations

from typing import Any

from harness.profile.model import Profile
from workloads import registry

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def profile_schema() -> dict[str, Any]:
    """The schema of a profile file (JSON Schema, draft 2020-12), made from the model itself.

    It knows keys, kinds and bounds; rules between keys (trials or a soak, names of workloads) are
    the loader's alone.
    """
    schema = Profile.model_json_schema(by_alias=True)
    _allow_short_patterns(schema)
    _ask_for_the_tag(schema)
    schema["$defs"]["Load"]["properties"]["workload"]["enum"] = registry.names()
    return {"$schema": DIALECT, "title": "rigproof profile", **_without_title(schema)}


def _ask_for_the_tag(schema: dict[str, Any]) -> None:
    """What tells patterns and criteria apart must be written, although Python has a default."""
    for definition in schema["$defs"].values():
        for tag in {"kind", "criterion"} & definition["properties"].keys():
            definition["properties"][tag].pop("default", None)
            definition["required"] = sorted({*definition.get("required", ()), tag})


def _without_title(schema: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in schema.items() if key != "title"}


def _allow_short_patterns(schema: dict[str, Any]) -> None:
    """A pattern without keys may be written as its bare name: pattern: all-lanes."""
    load = schema["$defs"]["Load"]["properties"]
    full = load["pattern"]
    kinds = [kind for kind in full["discriminator"]["mapping"] if kind not in _NEEDS_KEYS]
    description = full.pop("description")
    load["pattern"] = {
        "description": description,
        "anyOf": [{"type": "string", "enum": kinds}, full],
    }


#: Patterns that cannot be written as a bare name, because a key of theirs has no default.
_NEEDS_KEYS = ("mixed",)
