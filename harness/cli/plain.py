"""What goes to a terminal: names, notes and settings come from files that may be hostile.

A control sequence in a profile's name could repaint a terminal or its title, and a character that
turns the direction of writing could make one verdict look like another. So nothing is printed but
through here (or as a rich `Text` of what :func:`visible` gave).
"""

from __future__ import annotations

import json
from typing import Any

import typer

#: The narrow space between groups of digits is no printable character to Python, and harmless.
_HARMLESS = frozenset({"\N{NARROW NO-BREAK SPACE}"})


def visible(text: str) -> str:
    """`text` on one line, every character that a terminal would not show spelled out."""
    return "".join(
        char if char.isprintable() or char in _HARMLESS else repr(char)[1:-1] for char in text
    )


def say(text: str, *, err: bool = False) -> None:
    """Print one line: a line end inside `text` would let a name forge the next line."""
    typer.echo(visible(text), err=err)


def say_json(document: Any) -> None:
    """Print one JSON document and nothing else."""
    say_json_text(json.dumps(document, indent=2, ensure_ascii=False))


def say_json_text(text: str) -> None:
    """Print a JSON document that is text already: the same document, safe for a terminal too."""
    shown = (char if char.isprintable() or char == "\n" else _escape(char) for char in text)
    typer.echo("".join(shown).rstrip("\n"))


def _escape(char: str) -> str:
    return f"\\u{ord(char):04x}" if ord(char) < 0x10000 else json.dumps(char)[1:-1]
