"""Single keys from a terminal: `n` begins a note, Enter ends it, Escape drops it."""

from __future__ import annotations

import sys
import time
from typing import Any, Self

_ENTER = ("\r", "\n")
_ESCAPE = "\x1b"
_BACKSPACE = ("\x7f", "\b")
_MOST_CHARACTERS = 500


class NoteLine:
    """The note being typed: keys in, finished lines out."""

    def __init__(self) -> None:
        self._typed: str | None = None
        self._finished: list[str] = []

    def press(self, key: str) -> None:
        """Take one key."""
        if self._typed is None:
            self._typed = "" if key in {"n", "N"} else None
        elif key in _ENTER:
            if self._typed.strip():
                self._finished.append(self._typed.strip())
            self._typed = None
        elif key == _ESCAPE:
            self._typed = None
        elif key in _BACKSPACE:
            self._typed = self._typed[:-1]
        elif key.isprintable() and len(self._typed) < _MOST_CHARACTERS:
            self._typed += key

    def prompt(self) -> str:
        """What the view shows: the note so far, or how to begin one."""
        return "n: add a note" if self._typed is None else f"note: {self._typed}_  (Enter, Esc)"

    def finished(self) -> list[str]:
        """Notes completed since the last call."""
        done, self._finished = self._finished, []
        return done


class Keyboard:
    """The terminal in single-key mode, put back at the end; silent where there is none."""

    def __init__(self) -> None:
        self._line = NoteLine()
        self._saved: Any = None

    def __enter__(self) -> Self:
        if not sys.stdin.isatty():
            return self
        try:
            import termios
            import tty
        except ImportError:
            return self
        self._saved = termios.tcgetattr(sys.stdin)
        tty.setcbreak(sys.stdin)  # Ctrl-C still interrupts
        return self

    def __exit__(self, *_: object) -> None:
        if self._saved is not None:
            import termios

            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._saved)

    def wait(self, seconds: float) -> None:
        """Pass `seconds`, taking keys as they come."""
        if self._saved is None:
            time.sleep(seconds)
            return
        import os
        import select

        if select.select([sys.stdin], [], [], seconds)[0]:
            for key in os.read(sys.stdin.fileno(), 256).decode("utf-8", "ignore"):
                self._line.press(key)

    def prompt(self) -> str:
        """See `NoteLine.prompt`."""
        return "" if self._saved is None else self._line.prompt()

    def finished_lines(self) -> list[str]:
        """See `NoteLine.finished`."""
        return self._line.finished()
