"""Every error a user can meet, under one base class, caught once at the edge of the command line.

A message is one line: what was received, the rule it broke, and the remedy. Bugs are not caught
here and keep their traceback.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any


class RigproofError(Exception):
    """Base of all expected errors; `exit_code` is what the command line returns."""

    exit_code = 2

    def __reduce__(self) -> tuple[Any, ...]:
        """Survive pickling across processes whatever the subclass's constructor looks like."""
        return (_rebuild, (type(self), self.args, self.__dict__.copy()))


def _rebuild(kind: type[RigproofError], args: tuple[Any, ...], state: dict[str, Any]) -> Any:
    error = kind.__new__(kind)
    error.args = args
    error.__dict__.update(state)
    return error


class ProfileError(RigproofError):
    """A profile that cannot be used; `path`, `line` and `key` say where."""

    def __init__(
        self,
        message: str,
        *,
        path: Path | str | None = None,
        line: int | None = None,
        key: str = "",
    ) -> None:
        place = "" if path is None else f"{path}:{line}: " if line else f"{path}: "
        super().__init__(f"{place}{message}")
        self.path = path
        self.line = line
        self.key = key


class UsageError(RigproofError):
    """A command-line argument that cannot be used."""


class RefusedStart(RigproofError):
    """A run that must not begin: too little memory, no sensor for a soak, a run under way."""


class RecordError(RigproofError):
    """A record that cannot be read or does not hold what it must; `path` names it."""

    def __init__(self, message: str, *, path: Path | str | None = None) -> None:
        super().__init__(message if path is None else f"{path}: {message}")
        self.path = path


class ComparisonRefused(RigproofError):
    """Two sides that are not like for like, or hold no common workload.

    `changes` is every setting and fact that differs between them (results.FactChange), and
    `warnings` what else to know: whoever is refused must see why.
    """

    def __init__(
        self, message: str, *, changes: tuple[Any, ...] = (), warnings: tuple[str, ...] = ()
    ) -> None:
        super().__init__(message)
        self.changes = changes
        self.warnings = warnings


class StorageError(RigproofError):
    """The record could not be written (disk full, folder gone, read-only)."""

    exit_code = 5


class StorageFull(StorageError):
    """The record could not be written because no space is left."""


class BrokenEnvironment(RigproofError):
    """The installation cannot work: a package is shadowed, a library is missing."""

    exit_code = 5


def nearest(word: str, known: list[str] | tuple[str, ...]) -> str:
    """A remedy for a misspelt word: the closest of `known`, or the list of them."""
    import difflib

    close = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    return "known: " + ", ".join(sorted(known)) if known else "nothing is known here"
