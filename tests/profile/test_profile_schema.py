"""The JSON Schema: valid itself, and in step with the loader and the shipped profiles."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from profile_samples import MINIMAL

from harness.profile.loader import parse_profile, shipped_profiles
from harness.profile.positions import read_tree
from harness.profile.schema import profile_schema

SCHEMA = profile_schema()
VALIDATOR = Draft202012Validator(SCHEMA)


def as_json(text: str) -> Any:
    """The file as an editor's YAML reader hands it to a schema validator."""
    return lists(read_tree(text, "p").plain())


def lists(value: Any) -> Any:
    if isinstance(value, tuple):
        return [lists(item) for item in value]
    if isinstance(value, dict):
        return {key: lists(item) for key, item in value.items()}
    return value


def test_the_schema_is_a_valid_schema() -> None:
    meta_schema = Draft202012Validator(Draft202012Validator.META_SCHEMA)
    assert [error.message for error in meta_schema.iter_errors(SCHEMA)] == []
    assert not meta_schema.is_valid({**SCHEMA, "type": "no type"})


@pytest.mark.parametrize("name", sorted(shipped_profiles()))
def test_every_shipped_profile_satisfies_the_schema(name: str) -> None:
    text = shipped_profiles()[name].read_text("utf-8")
    problems = [f"{e.json_path}: {e.message}" for e in VALIDATOR.iter_errors(as_json(text))]
    assert problems == [], "change profiles/ or harness/profile/model.py so that they agree"


VALID = [
    "    pattern: all-lanes\n",
    "    pattern: {kind: half-lanes, which: second}\n",
    "    parameters: {level: 3}\n",
    "ambient_celsius: 21.5\n",
    "ambient_celsius: {channel: ambient_temperature}\n",
    "ambient_celsius: null\n",
    "safety: {stop_above_celsius: null, warn_above_celsius: null}\n",
    "accept:\n  - criterion: no-failures\n",
    "accept:\n  - {criterion: temperature-ceiling, at_most_celsius: 90}\n",
]


@pytest.mark.parametrize("more", VALID)
def test_what_the_loader_accepts_the_schema_accepts(more: str) -> None:
    text = MINIMAL.replace("spin", "zstandard") + more
    parse_profile(text)
    assert list(VALIDATOR.iter_errors(as_json(text))) == []


INVALID = [
    "unknown: 1\n",
    "    pattern: mixed\n",
    "    pattern: {frequency_hz: 2}\n",
    "    trial_seconds: 3 s\n",
    "confidence: 95\n",
    "accept:\n  - {required: true}\n",
    "accept:\n  - {criterion: no-failures, at_most: 2}\n",
]


@pytest.mark.parametrize("more", INVALID)
def test_what_the_schema_refuses_the_loader_refuses_too(more: str) -> None:
    text = MINIMAL.replace("spin", "zstandard") + more
    assert list(VALIDATOR.iter_errors(as_json(text)))
    with pytest.raises(Exception, match="p:"):
        parse_profile(text, "p")


def properties(schema: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    for owner, definition in {"Profile": schema, **schema["$defs"]}.items():
        for key, value in definition.get("properties", {}).items():
            yield f"{owner}.{key}", value


def test_every_key_tells_an_editor_what_it_is_for() -> None:
    tags = ("kind", "criterion")
    silent = [name for name, value in properties(SCHEMA) if "description" not in value]
    assert [name for name in silent if name.rsplit(".", 1)[1] not in tags] == []
