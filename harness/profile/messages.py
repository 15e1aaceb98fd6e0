"""From a validation error to one line: key, value received, rule, remedy, and where it stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from harness.criteria.strict import BROKEN_RULE, UNKNOWN_KEY
from harness.errors import nearest
from harness.profile.positions import Node, Step

_LONGEST_SHOWN = 60

#: Rules in words, by pydantic's error type; `{...}` are the error's own values.
_RULES = {
    "greater_than": "must be above {gt:g}",
    "greater_than_equal": "must be at least {ge:g}",
    "less_than": "must be below {lt:g}",
    "less_than_equal": "must be at most {le:g}",
    "int_type": "needs a whole number without quotes",
    "int_from_float": "needs a whole number",
    "float_type": "needs a number without quotes and without a unit (the key names the unit)",
    "finite_number": "needs a finite number",
    "bool_type": "needs true or false",
    "string_type": "needs text (put it in quotes)",
    "string_too_long": "needs at most {max_length} characters",
    "string_too_short": "needs at least {min_length} character(s)",
    "string_pattern_mismatch": "needs letters, digits, spaces or . _ + -, at most 64, "
    "beginning with a letter or digit",
    "tuple_type": "needs a list (lines beginning with '- ')",
    "dict_type": "needs keys with values",
    "mapping_type": "needs keys with values",
    "model_type": "needs keys with values",
    "model_attributes_type": "needs keys with values",
    "too_short": "needs at least {min_length} entry",
    "too_long": "needs at most {max_length} entries",
    "int_parsing_size": "is too large a number",
    "wanted": "needs {wanted}",
}


@dataclass(frozen=True)
class Finding:
    """One thing wrong with a profile, with its place."""

    line: int
    key: str
    text: str


def findings(error: ValidationError, root: Node) -> list[Finding]:
    """Every problem of `error`, in the file's order, consequences of others left out."""
    places = [(_path(item, root), item) for item in error.errors(include_url=False)]
    told: dict[tuple[Step, ...], Finding] = {}
    for path, item in places:
        deeper = any(len(path) < len(other) and other[: len(path)] == path for other, _ in places)
        if path not in told and (not deeper or item["type"] == BROKEN_RULE):
            told[path] = _finding(path, item, root)
    return sorted(told.values(), key=lambda found: found.line)


def _path(item: Mapping[str, Any], root: Node) -> tuple[Step, ...]:
    """The error's path as far as the file has it: pydantic adds names of union members."""
    node, path = root, list[Step]()
    for step in (*item["loc"], *_extra_steps(item)):
        if step in node.children:
            node = node.children[step]
            path.append(step)
    if item["type"] == "missing":
        path.append(item["loc"][-1])
    return tuple(path)


def _extra_steps(item: Mapping[str, Any]) -> tuple[Step, ...]:
    context = item.get("ctx", {})
    if item["type"] == UNKNOWN_KEY:
        return (context["key"],)
    if item["type"] == BROKEN_RULE:
        return tuple(context["at"])
    return _discriminator(context)


def _discriminator(context: Mapping[str, Any]) -> tuple[Step, ...]:
    found = context.get("discriminator")
    return () if found is None else (str(found).strip("'"),)


def _finding(path: tuple[Step, ...], item: Mapping[str, Any], root: Node) -> Finding:
    return located(path, _sentence(item, _follow(path, root)), root)


def located(path: tuple[Step, ...], message: str, root: Node) -> Finding:
    """A finding about the key at `path`, with the line where the file has it (or its parent)."""
    node, line = root, root.line
    for step in path:
        line = node.key_lines.get(step, line)
        if step not in node.children:
            break
        node = node.children[step]
        line = max(line, node.line) if isinstance(step, int) else line
    return Finding(line, spell(path), f"{spell(path)}: {message}")


def _follow(path: tuple[Step, ...], root: Node) -> Node:
    node = root
    for step in path:
        node = node.children.get(step, node)
    return node


def spell(path: tuple[Step, ...]) -> str:
    """A path for people: ``loads[2].trial_seconds`` (entries counted from 1)."""
    text = ""
    for step in path:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else str(step)
    return text or "the profile"


def _sentence(item: Mapping[str, Any], node: Node) -> str:
    kind, context = item["type"], item.get("ctx", {})
    if kind == UNKNOWN_KEY:
        return f"unknown key; {nearest(context['key'], context['known'])}"
    if kind == BROKEN_RULE:
        return str(context["message"])
    if kind == "missing":
        return "this key is missing and has no default"
    if kind.startswith("union_tag"):
        return _unknown_member(context)
    return f"received {shown(node)}, {_rule(item)}"


def _unknown_member(context: Mapping[str, Any]) -> str:
    expected = [word.strip("' ") for word in str(context.get("expected_tags", "")).split(",")]
    if "tag" not in context:
        return f"this key is missing; {nearest('', expected)}" if expected[0] else "is missing"
    return f"received '{context['tag']}'; {nearest(str(context['tag']), expected)}"


def _rule(item: Mapping[str, Any]) -> str:
    kind, context = item["type"], item.get("ctx", {})
    if kind == "literal_error":
        return f"choose from {context['expected']}".replace(" or ", ", ").replace("'", "")
    rule = _RULES.get(kind)
    if rule is None:
        return str(item["msg"])
    return rule.format(**context)


def shown(node: Node) -> str:
    """The value received, short and on one line."""
    if node.kind != "scalar":
        return "a list" if node.kind == "sequence" else "keys with values"
    if node.value is None:
        return "nothing (null)"
    if isinstance(node.value, bool):
        return "true" if node.value else "false"
    text = repr(node.value)
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "..."
