"""Declared settings held against the facts: confirmed, contradicted, or only declared.

The operator says what was changed (``--set memory_speed=6000MT/s``). Where the machine shows the
same quantity it is checked; where it does not, or only to root, the setting stays *declared, not
verified*, and is shown so beside the verdict. So does a quantity in a unit that is not known here:
what cannot be converted is neither confirmed nor contradicted.
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

#: ``6000``, ``6000MT/s``, ``1350 mV``: a number and, where it is given, its unit.
_QUANTITY = re.compile(r"([-+]?[0-9]+(?:\.[0-9]+)?(?:[eE][-+]?[0-9]{1,3})?)\s*([^\d\s.,+-].*)?")
#: Units that a fact's own unit (the key) is also declared in, with what one of them is in it. The
#: prefixes are the SI's; as people type them, a capital may be missing where none is doubtful. A
#: memory's clock in MHz is not among them: some mean half its transfers by it, and some all.
_UNITS: Mapping[str, Mapping[str, float]] = {
    "MT/s": {
        "T/s": 1e-6, "kT/s": 1e-3, "MT/s": 1.0, "GT/s": 1e3, "mt/s": 1.0, "gt/s": 1e3,
        "MTps": 1.0, "MTs": 1.0,
    },
    "V": {
        "V": 1.0, "v": 1.0, "volt": 1.0, "volts": 1.0, "mV": 1e-3, "mv": 1e-3, "millivolts": 1e-3,
        "\N{MICRO SIGN}V": 1e-6, "\N{GREEK SMALL LETTER MU}V": 1e-6, "uV": 1e-6,
    },
}  # fmt: skip
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


@dataclass(frozen=True)
class _Look:
    """Where a setting shows in the facts; `unit` is what the facts give it in, if it has one."""

    at: Callable[[Facts], Any]
    unit: str = ""


class _NotComparable(Exception):
    """Why a declared text cannot be held against a number of the facts."""


def _check(name: str, declared: Any, facts: Facts) -> DeclaredSetting:
    look = _LOOKS.get(name)
    if look is None:
        why = "no fact of the machine shows it"
        return DeclaredSetting(name, declared, None, Standing.DECLARED, why)
    seen = look.at(facts)
    if seen is None or is_unknown(seen):
        why = reason_of(seen) or "the machine does not show it"
        return DeclaredSetting(name, declared, None, Standing.DECLARED, why)
    values = seen if isinstance(seen, list) else [seen]
    try:
        same = all(_same(declared, value, look.unit) for value in values)
    except _NotComparable as why_not:
        return DeclaredSetting(name, declared, seen, Standing.DECLARED, str(why_not))
    if same:
        return DeclaredSetting(
            name, declared, seen, Standing.CONFIRMED, "the machine shows the same"
        )
    why = f"the machine shows {_shown(values, look.unit)}"
    return DeclaredSetting(name, declared, seen, Standing.CONTRADICTED, why)


def _same(declared: Any, seen: Any, unit: str) -> bool:
    if isinstance(declared, bool) or isinstance(seen, bool):
        return _truth(declared) == _truth(seen)
    if isinstance(seen, int | float):
        return math.isclose(_in_unit(str(declared), unit), float(seen), rel_tol=1e-9)
    return str(declared).strip().lower() == str(seen).strip().lower()


def _in_unit(declared: str, unit: str) -> float:
    """A declared quantity in the fact's unit. Raises _NotComparable."""
    found = _QUANTITY.fullmatch(declared.strip())
    if found is None:
        raise _NotComparable(f"it is no number{f' of {unit}' if unit else ''}")
    number, given = float(found[1]), (found[2] or "").strip()
    if not given:
        return number
    factor = _UNITS.get(unit, {}).get(given)
    if factor is None:
        raise _NotComparable(f"the machine shows it in {unit or 'plain numbers'}, not in '{given}'")
    return number * factor


def _truth(value: Any) -> str:
    text = str(value).strip().lower()
    return _SWITCHES.get(text, text)


def _shown(values: list[Any], unit: str) -> str:
    return ", ".join(dict.fromkeys(f"{value} {unit}".strip() for value in values))


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
_LOOKS: Mapping[str, _Look] = {
    "memory_speed": _Look(_each(_modules, "configured_mega_transfers_per_second"), "MT/s"),
    "memory_mts": _Look(_each(_modules, "configured_mega_transfers_per_second"), "MT/s"),
    "memory_volts": _Look(_each(_modules, "configured_volts"), "V"),
    "governor": _Look(_each(_policies, "governor")),
    "energy_preference": _Look(_each(_policies, "preference")),
    "boost": _Look(_at("frequency", "boost")),
    "smt": _Look(_at("frequency", "smt")),
    "microcode": _Look(_at("cpu", "microcode")),
    "firmware_version": _Look(_at("firmware", "version")),
    "transparent_huge_pages": _Look(_at("memory_management", "transparent_huge_pages")),
    "kernel": _Look(_at("kernel", "release")),
}
