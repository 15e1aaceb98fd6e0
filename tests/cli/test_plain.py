"""What is printed cannot act on a terminal. Oracle: Unicode's own classes of characters."""

from __future__ import annotations

import json
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.cli.plain import say, say_json, say_json_text, visible


@given(st.text())
def test_nothing_invisible_is_left_and_nothing_visible_is_changed(text: str) -> None:
    shown = visible(text)
    # Controls, formats, surrogates, unassigned, and separators other than the space.
    bad = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert not [char for char in shown if unicodedata.category(char) in bad]
    assert len(shown.splitlines()) <= 1
    if text.isprintable():
        assert shown == text


def test_a_name_cannot_forge_a_line(capsys: pytest.CaptureFixture[str]) -> None:
    say("name\r\nPASS")
    assert capsys.readouterr().out == "name\\r\\nPASS\n"


@given(st.recursive(st.text() | st.none() | st.floats(allow_nan=False), st.lists))
def test_a_document_means_the_same_after_it_was_made_safe(document: object) -> None:
    import contextlib
    import io

    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        say_json(document)
    shown = out.getvalue()
    assert json.loads(shown) == document
    assert all(char.isprintable() or char == "\n" for char in shown)


def test_a_document_that_is_text_keeps_its_form(capsys: pytest.CaptureFixture[str]) -> None:
    say_json_text('{\n  "unit": "°C",\n  "name": "\x7f\u202e"\n}\n')
    out = capsys.readouterr().out
    assert out == '{\n  "unit": "°C",\n  "name": "\\u007f\\u202e"\n}\n'
