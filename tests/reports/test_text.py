"""Text from strangers: nothing invisible or deceiving gets through, and nothing else changes."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.text import ELLIPSIS, one_line, shortened, visible

#: No deadline: other work on the machine must not fail a test.
CALM = settings(deadline=None)
ANY_TEXT = st.text(alphabet=st.characters(codec=None), max_size=200)


def is_xml_character(character: str) -> bool:
    """Production [2] `Char` of XML 1.0, fifth edition, section 2.2."""
    code = ord(character)
    return (
        code in (0x9, 0xA, 0xD)
        or 0x20 <= code <= 0xD7FF
        or 0xE000 <= code <= 0xFFFD
        or 0x10000 <= code <= 0x10FFFF
    )


@CALM
@given(text=ANY_TEXT)
def test_every_result_is_made_of_xml_characters(text: str) -> None:
    assert all(map(is_xml_character, visible(text)))


@CALM
@given(text=ANY_TEXT)
def test_no_control_format_or_surrogate_character_is_left(text: str) -> None:
    left = {
        unicodedata.category(character) for character in visible(text) if character not in "\t\n"
    }
    assert not left & {"Cc", "Cf", "Cs", "Zl", "Zp"}


@CALM
@given(text=ANY_TEXT)
def test_every_result_can_be_written_as_utf_8(text: str) -> None:
    assert visible(text).encode("utf-8").decode("utf-8") == visible(text)


@CALM
@given(text=ANY_TEXT)
def test_making_visible_twice_changes_nothing_more(text: str) -> None:
    assert visible(visible(text)) == visible(text)


@CALM
@given(text=st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126)))
def test_printable_ascii_stays_as_it_is(text: str) -> None:
    assert visible(text) == text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("\x1b[31mred", "[U+001B][31mred"),
        ("invoice\u202egnp.exe", "invoice[U+202E]gnp.exe"),  # reads "exe.png" when obeyed
        ("a\u2066b\u2069c", "a[U+2066]b[U+2069]c"),
        ("pass\u200bword", "pass[U+200B]word"),
        ("a\x00b", "a[U+0000]b"),
        ("lone \ud800 half", "lone [U+D800] half"),
        ("no \ufffe character", "no [U+FFFE] character"),
        ("line\r\nline", "line\nline"),
        ("bare\rreturn", "bare[U+000D]return"),
        ("Grüße, 日本語, العربية, 12 µs", "Grüße, 日本語, العربية, 12 µs"),
    ],
)
def test_what_hides_is_spelled_out_and_what_does_not_is_kept(text: str, expected: str) -> None:
    assert visible(text) == expected


def test_stacked_marks_are_cut_down_before_they_cover_other_lines() -> None:
    tower = "e" + "\u0301" * 6
    assert visible(tower) == "e" + "\u0301" * 3 + "[U+0301]" * 3


def test_a_cut_says_how_much_is_missing() -> None:
    assert (
        visible("x" * 12, limit=10) == f"{'x' * 10}{ELLIPSIS} (2 more characters are in the record)"
    )
    assert visible("x" * 10, limit=10) == "x" * 10


@CALM
@given(text=ANY_TEXT)
def test_one_line_has_no_line_end_and_no_double_space(text: str) -> None:
    line = one_line(text)
    assert line.splitlines() in ([line], [])
    assert "  " not in line


def test_a_long_name_keeps_its_beginning_and_its_end() -> None:
    name = "multiplication-of-bounded-integers-with-checksum-rows"
    short = shortened(name, 20)
    assert len(short) == 20
    assert short.startswith("multiplicati")
    assert short.endswith("um-rows")
    assert shortened("short", 20) == "short"
