"""Declared settings held against the facts: confirmed, contradicted, or only declared.

The operator says what was changed (``--set memory_speed=6000MT/s``). Where the machine shows the
same quantity it is checked; where it does not, or only to root, the setting stays *declared, not
verified*, and is shown so beside the verdict.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from harness.machine.fact_values import is_unknown, reason_of

Facts = Mapping[str, Any]

#: ``6000``, ``6000MT/s``, ``1.35 V``: the unit is the fact's own, by the setting's name.
_LEADING_NUMBER = re.compile(r"^\s*([0-9]+(?:\.[0-9]+)?)\s*(?:[A-Za-z/]*)\s*$")
_SWITCHES = {"on": "true", "yes": "true", "1": "true", "off": "false", "no": "false", "0": "false"}


class Standing(StrEnum):
    """What the machine says of a declared setting."""

    CONFIRMED = "confirmed"
    CONTRADICTED = "contradicted"
    DECLARED = "declared, not verified"


@dataclass(frozen=True)
class DeclaredSetting:
    """One setting, what the machine shows of it (None: nothing), and the standing that follows."""

    name: str
    declared: Any
    seen: Any
    standing: Standing
    why: str


def check_settings(settings: Mapping[str, Any], facts: Facts) -> tuple[DeclaredSetting, ...]:
    """Each setting's standing against what :func:`harness.machine.facts.collect_facts` gave."""
    return tuple(_check(name, value, facts) for name, value in settings.items())


def _check(name: str, declared: Any, facts: Facts) -> DeclaredSetting:
    look = _LOOKS.get(name)
    if look is None:
        why = "no fact of the machine shows it"
        return DeclaredSetting(name, declared, None, Standing.DECLARED, why)
    seen = look(facts)
    if seen is None or is_unknown(seen):
        why = reason_of(seen) or "the machine does not show it"
        return DeclaredSetting(name, declared, None, Standing.DECLARED, why)
    values = seen if isinstance(seen, list) else [seen]
    if all(_same(declared, value) for value in values):
        return DeclaredSetting(
            name, declared, seen, Standing.CONFIRMED, "the machine shows the same"
        )
    return DeclaredSetting(
        name, declared, seen, Standing.CONTRADICTED, f"the machine shows {_shown(values)}"
    )


def _same(declared: Any, seen: Any) -> bool:
    if isinstance(declared, bool) or isinstance(seen, bool):
        return _truth(declared) == _truth(seen)
    number = _LEADING_NUMBER.match(str(declared))
    if number is not None and isinstance(seen, int | float):
        return math.isclose(float(number[1]), float(seen), rel_tol=1e-9)
    return str(declared).strip().lower() == str(seen).strip().lower()


def _truth(value: Any) -> str:
    text = str(value).strip().lower()
    return _SWITCHES.get(text, text)


def _shown(values: list[Any]) -> str:
    return ", ".join(dict.fromkeys(str(value) for value in values))


def _at(*names: str) -> Callable[[Facts], Any]:
    def look(facts: Facts) -> Any:
        value: Any = facts
        for name in names:
            if is_unknown(value) or not isinstance(value, Mapping):
                return value if is_unknown(value) else None
            value = value.get(name)
        return value

    return look


def _each(group: Callable[[Facts], Any], name: str) -> Callable[[Facts], Any]:
    """The different values that `name` has in a list of parts (modules, policies)."""

    def look(facts: Facts) -> Any:
        parts = group(facts)
        if not isinstance(parts, list):
            return parts
        values = [part[name] for part in parts if isinstance(part, Mapping) and name in part]
        return list(dict.fromkeys(values)) or None

    return look


_modules = _at("memory", "modules")
_policies = _at("frequency", "policies")

#: Settings that can be checked, by the names the documentation gives them.
_LOOKS: Mapping[str, Callable[[Facts], Any]] = {
    "memory_speed": _each(_modules, "configured_mega_transfers_per_second"),
    "memory_mts": _each(_modules, "configured_mega_transfers_per_second"),
    "memory_volts": _each(_modules, "configured_volts"),
    "governor": _each(_policies, "governor"),
    "energy_preference": _each(_policies, "preference"),
    "boost": _at("frequency", "boost"),
    "smt": _at("frequency", "smt"),
    "microcode": _at("cpu", "microcode"),
    "firmware_version": _at("firmware", "version"),
    "transparent_huge_pages": _at("memory_management", "transparent_huge_pages"),
    "kernel": _at("kernel", "release"),
}
