"""What differs between two sets of facts, momentary values left out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fnmatch import fnmatchcase
from typing import Any

from harness.compared import FactChange
from harness.machine.fact_values import FactValue, is_unknown

#: Facts that differ between any two boots or moments and say nothing of what was changed.
MOMENTARY = (
    "kernel.boot_id",
    "*.available_bytes",
    "*.free_bytes",
    "*.used_bytes",
    "*.current_hz",
    "*.uptime_seconds",
    "*.battery_percent",
    "*.temperature_celsius",
)


def changed_facts(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[FactChange, ...]:
    """Facts that both sides know and that differ, by dotted name; and those only one side has.

    A fact that one side could not read has not been seen to change: :func:`unread_facts` lists
    those.
    """
    left, right = dict(flatten(before)), dict(flatten(after))
    return tuple(
        FactChange(name, left.get(name), right.get(name))
        for name in _names(left, right)
        if left.get(name) != right.get(name)
        and not is_unknown(left.get(name))
        and not is_unknown(right.get(name))
        and not _hidden(name, left, right)
    )


def unread_facts(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[str, ...]:
    """Facts that only one of the two sides could read (as root, say), by dotted name."""
    left, right = dict(flatten(before)), dict(flatten(after))
    return tuple(
        name
        for name in _names(left, right)
        if is_unknown(left.get(name, "")) != is_unknown(right.get(name, ""))
    )


def same_machine(before: Mapping[str, Any], after: Mapping[str, Any]) -> bool | None:
    """Whether both sets of facts are of one machine; None where an identity is missing."""
    keys = [facts.get("identity", {}).get("key") for facts in (before, after)]
    return None if None in keys else keys[0] == keys[1]


def flatten(facts: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, FactValue]]:
    """Leaves by dotted name; unknown facts and lists of plain values are leaves."""
    for name, value in facts.items():
        yield from _leaves(f"{prefix}{name}", value)


def _leaves(name: str, value: FactValue) -> Iterator[tuple[str, FactValue]]:
    if isinstance(value, Mapping) and not is_unknown(value):
        yield from flatten(value, f"{name}.")
    elif isinstance(value, list | tuple) and any(isinstance(it, Mapping) for it in value):
        for index, item in enumerate(value):
            yield from _leaves(f"{name}[{index}]", item)
    else:
        yield name, list(value) if isinstance(value, tuple) else value


def _names(left: Mapping[str, Any], right: Mapping[str, Any]) -> list[str]:
    names = list(left) + [name for name in right if name not in left]
    return [it for it in names if not any(fnmatchcase(it, pattern) for pattern in MOMENTARY)]


def _hidden(name: str, left: Mapping[str, Any], right: Mapping[str, Any]) -> bool:
    """True when a part of this fact's group is unknown as a whole on the other side."""
    for side in (left, right):
        if name not in side and any(
            is_unknown(value) and (name.startswith((f"{group}.", f"{group}[")))
            for group, value in side.items()
        ):
            return True
    return False
