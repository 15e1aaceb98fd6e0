"""Untrusted text made safe to look at: what cannot be seen, or deceives the eye, is spelled out.

Names, notes, facts and error tails come from profiles, drivers and other people's records. Markup
is escaped by the templates; this module takes care of what escaping leaves alone: control
characters, which XML 1.0 forbids (section 2.2), and invisible or direction-changing characters,
which make a text look like another (Unicode Technical Report 36, *Security Considerations*).
"""

from __future__ import annotations

import re
import unicodedata

ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"

#: Characters whose spelling is remembered; hostile text may use a million different ones.
_MOST_REMEMBERED = 4_096
#: Combining marks stacked higher than this only blot out the lines above.
_MOST_MARKS = 3
_KEPT = frozenset("\t\n")
_ASCII_PRINTABLE = re.compile(r"[ -~\n]*")
#: Cc controls, Cf invisible and direction-changing, Cs lone surrogates, Zl and Zp separators.
_SPELLED_OUT = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


def visible(text: object, *, limit: int | None = None) -> str:
    """`text` with every invisible character written as ``[U+202E]``; line ends are kept.

    `limit` caps the length in characters, and the cut says how much is missing. The result holds
    only characters that XML 1.0 allows.
    """
    raw = str(text).replace("\r\n", "\n")
    if limit is not None and len(raw) > limit:
        raw = f"{raw[:limit]}{ELLIPSIS} ({len(raw) - limit} more characters are in the record)"
    if _ASCII_PRINTABLE.fullmatch(raw):
        return raw
    return _without_stacks(raw.translate(_SPELLING))


def one_line(text: object, *, limit: int | None = None) -> str:
    """`text` as :func:`visible` gives it, on one line."""
    return " ".join(visible(text, limit=limit).split())


def shortened(name: object, most: int = 30) -> str:
    """`name` cut in the middle: the beginning tells the family, the end what is special."""
    text = one_line(name)
    if len(text) <= most:
        return text
    head = most * 3 // 5
    return f"{text[:head]}{ELLIPSIS}{text[head + 1 - most :]}"


class _Spelling(dict[int, str]):
    """What each character is shown as, looked up once and kept: `str.translate` asks it."""

    def __missing__(self, code: int) -> str:
        character = chr(code)
        hidden = unicodedata.category(character) in _SPELLED_OUT and character not in _KEPT
        # U+xxFFFE and U+xxFFFF are no characters at all, and U+FDD0 to U+FDEF neither.
        no_character = code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF
        spelled = _code_point(character) if hidden or no_character else character
        if len(self) < _MOST_REMEMBERED:
            self[code] = spelled
        return spelled


_SPELLING = _Spelling()


def _code_point(character: str) -> str:
    return f"[U+{ord(character):04X}]"


def _without_stacks(text: str) -> str:
    marks = "".join(sorted(filter(unicodedata.combining, set(text))))
    if not marks:
        return text
    stacked = re.compile(f"(?<=[{marks}]{{{_MOST_MARKS}}})[{marks}]")
    return stacked.sub(lambda found: _code_point(found[0]), text)
