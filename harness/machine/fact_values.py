"""What a fact may be: plain JSON, or null with the reason why it could not be read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeAlias

from harness.sensors.files import describe, read_text, visible

#: A JSON value: text, number, true or false, null, or lists and objects of these.
FactValue: TypeAlias = Any

_LONGEST = 200


def unknown(reason: str) -> dict[str, FactValue]:
    """A fact that could not be read, with the reason."""
    return {"value": None, "reason": reason}


def is_unknown(value: FactValue) -> bool:
    """True for what :func:`unknown` made."""
    return isinstance(value, Mapping) and set(value) == {"value", "reason"}


def reason_of(value: FactValue) -> str:
    """Why a fact is unknown; empty when it is known."""
    return str(value["reason"]) if is_unknown(value) else ""


def known_or_none(value: FactValue) -> FactValue:
    """The fact, or None when it is unknown."""
    return None if is_unknown(value) else value


def text_fact(path: Path) -> FactValue:
    """A small file's text as a fact: one printable line."""
    try:
        text = read_text(path)
    except OSError as error:
        return unknown(_why(error))
    return visible(text, _LONGEST) if text else unknown("empty")


def number_fact(path: Path, factor: int = 1) -> FactValue:
    """A small file's whole number as a fact, times `factor`."""
    return converted(path, lambda text: int(text) * factor)


def chosen_fact(path: Path) -> FactValue:
    """The bracketed word of a list such as ``always [madvise] never``."""

    def choose(text: str) -> str:
        chosen = [word[1:-1] for word in text.split() if word[:1] == "[" and word[-1:] == "]"]
        return visible(chosen[0] if chosen else text, _LONGEST)

    return converted(path, choose)


def converted(path: Path, convert: Callable[[str], FactValue]) -> FactValue:
    """A file's text put through `convert`; what that cannot take is unknown."""
    try:
        return convert(read_text(path))
    except OSError as error:
        return unknown(_why(error))
    except ValueError:
        return unknown(f"{path.name} is not of the expected form")


def _why(error: OSError) -> str:
    text = describe(error)
    if isinstance(error, PermissionError):
        return f"{text} (root only)"
    return "this system does not give it" if isinstance(error, FileNotFoundError) else text
