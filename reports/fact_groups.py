"""The machine's facts in groups that can be read: short ones in sight, long lists folded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from reports.wording import fact_rows, is_measure, spaced

#: A nested list of more facts than this becomes a folded group of its own.
_MOST_NESTED = 5


@dataclass(frozen=True)
class FactGroup:
    """Facts that belong together, under one heading; the heading may be empty."""

    title: str
    rows: tuple[tuple[str, str], ...]
    is_folded: bool = False


def fact_groups(facts: Mapping[str, Any]) -> Iterator[FactGroup]:
    """Facts without a group of their own first, then one group for each nested mapping."""
    nested = {key: value for key, value in facts.items() if _is_group(value)}
    plain = {key: value for key, value in facts.items() if key not in nested}
    if plain:
        yield FactGroup("", _merged(fact_rows(plain)))
    for key, value in nested.items():
        yield from _group(spaced(str(key)), value)


def _group(title: str, facts: Mapping[str, Any]) -> Iterator[FactGroup]:
    long = {
        key: value for key, value in facts.items() if _is_group(value) and len(value) > _MOST_NESTED
    }
    short = {key: value for key, value in facts.items() if key not in long}
    if short:
        yield FactGroup(title, _merged(fact_rows(short)))
    for key, value in long.items():
        yield FactGroup(f"{title}: {spaced(str(key))}", _merged(fact_rows(value)), is_folded=True)


def _is_group(value: Any) -> bool:
    return isinstance(value, Mapping) and bool(value) and not is_measure(value)


def _merged(rows: Iterator[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Rows in order; facts that are not known for one and the same reason share a row."""
    names: dict[str, list[str]] = {}
    merged: list[tuple[list[str], str]] = []
    for name, text in rows:
        if text in names and text.startswith("not known"):
            names[text].append(name)
        else:
            names[text] = [name]
            merged.append((names[text], text))
    return tuple((", ".join(parts), text) for parts, text in merged)
