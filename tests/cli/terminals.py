"""A terminal of a stated width, and a pipe, for what the commands print."""

from __future__ import annotations

from io import StringIO

import pytest
from rich.console import Console


class Screen:
    """What was printed, without colours."""

    def __init__(self, width: int | None) -> None:
        self._file = StringIO()
        self.console = Console(
            file=self._file,
            width=width,
            force_terminal=width is not None,
            no_color=True,
            color_system=None,
            highlight=False,
            legacy_windows=False,
            _environ={},
        )

    @property
    def text(self) -> str:
        """All of it."""
        return self._file.getvalue()

    @property
    def lines(self) -> list[str]:
        """Its lines, blank ones too."""
        return self.text.splitlines()


def screen(monkeypatch: pytest.MonkeyPatch, width: int | None) -> Screen:
    """A terminal `width` columns wide in place of stdout, or a pipe where it is None."""
    made = Screen(width)
    for module in ("tables", "sensing_tables"):
        monkeypatch.setattr(f"harness.cli.{module}.make_console", lambda: made.console)
    return made
