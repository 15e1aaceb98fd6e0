"""YAML read event by event into a tree that keeps line numbers, within stated bounds.

A profile is untrusted text. It is read without recursion, with bounds on size, depth and number
of nodes; anchors, aliases and tags are refused (a few lines of aliases can stand for billions of
nodes, and a tag can name code). Scalars follow the core schema of YAML 1.2.2, chapter 10.3, so
``no``, ``on``, ``1:30`` and ``0777`` stay the text they look like.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from harness.errors import ProfileError

MAXIMUM_BYTES = 1_000_000
MAXIMUM_DEPTH = 16
MAXIMUM_NODES = 20_000
_LONGEST_MESSAGE = 600

_INTEGER = re.compile(r"[-+]?[0-9]{1,18}")
_BASED = re.compile(r"0o[0-7]{1,20}|0x[0-9a-fA-F]{1,15}")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]{1,4})?")
_SPECIAL: dict[str, bool | None] = {
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys(("null", "Null", "NULL", "~", ""), None),
}
# Characters that YAML 1.2.2 (5.1) allows in a stream, without the tab, line breaks and BOM.
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_KINDS = {"scalar": "a single value", "sequence": "a list", "mapping": "keys with values"}

Step = str | int


@dataclass
class Node:
    """One place in the file: a value, the line it starts on, and its children by key or index."""

    line: int
    value: Any = None
    children: dict[Step, Node] = field(default_factory=dict)
    #: Lines of the keys of a mapping.
    key_lines: dict[Step, int] = field(default_factory=dict)
    kind: str = "scalar"

    def plain(self) -> Any:
        """The tree as dicts, tuples and scalars."""
        if self.kind == "mapping":
            return {key: child.plain() for key, child in self.children.items()}
        if self.kind == "sequence":
            return tuple(child.plain() for child in self.children.values())
        return self.value


def one_line(message: str) -> str:
    """`message` on one line of bounded length, control characters made visible.

    It may quote the profile, which may quote a terminal's control sequences.
    """
    if len(message) > _LONGEST_MESSAGE:
        message = message[: _LONGEST_MESSAGE - 3] + "..."
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode() for char in message
    )


def decode(raw: bytes, path: str) -> str:
    """The bytes of a profile as text. Raises ProfileError when too many or not UTF-8."""
    if len(raw) > MAXIMUM_BYTES:
        raise ProfileError(
            f"the file is larger than {MAXIMUM_BYTES // 1000} kB: a profile is a short text file",
            path=path,
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ProfileError(
            f"received byte 0x{raw[error.start]:02x}, which is not UTF-8 text: "
            "a profile is YAML saved as UTF-8",
            path=path,
            line=line,
        ) from None
    return text


def _refuse_unprintable(text: str, path: str) -> None:
    found = _UNPRINTABLE.search(text)
    if found:
        raise ProfileError(
            f"received the control character U+{ord(found[0]):04X}: "
            "a profile is plain text, so remove it",
            path=path,
            line=text.count("\n", 0, found.start()) + 1,
        )


def read_tree(text: str, path: str) -> Node:
    """The document in `text` as a tree. Raises ProfileError naming the line."""
    _refuse_unprintable(text, path)
    try:
        return _Builder(path).build(_events(text))
    except yaml.MarkedYAMLError as error:
        raise ProfileError(one_line(_syntax(error)), path=path, line=_line_of(error)) from None


def _events(text: str) -> Iterator[Any]:
    loader: Any = yaml.SafeLoader(text)
    try:
        while loader.check_event():
            yield loader.get_event()
    finally:
        loader.dispose()


def _line_of(error: yaml.MarkedYAMLError) -> int | None:
    mark = error.problem_mark or error.context_mark
    return None if mark is None else mark.line + 1


def _syntax(error: yaml.MarkedYAMLError) -> str:
    problem = " ".join(part for part in (error.context, error.problem) if part)
    if "\\t" in problem or "'\t'" in problem:
        return f"not valid YAML ({problem}): indent with spaces, never with tabs"
    return f"not valid YAML ({problem}): check indentation, colons and quotes"


class _Builder:
    """Turns events into nodes; `_open` holds the collections that are not finished."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._open: list[tuple[Node, str | None]] = []
        self._root: Node | None = None
        self._nodes = 0

    def build(self, events: Iterator[Any]) -> Node:
        for event in events:
            self._take(event)
        if self._root is None or (self._root.kind == "scalar" and self._root.value is None):
            raise ProfileError(
                "the file is empty: a profile needs at least `name` and `loads`", path=self._path
            )
        if self._root.kind != "mapping":
            raise self._wrong(
                self._root.line,
                f"received {_KINDS[self._root.kind]} at the top: a profile is a mapping of keys, "
                "starting with `name:`",
            )
        return self._root

    def _take(self, event: Any) -> None:
        line = event.start_mark.line + 1
        self._refuse_indirection(event, line)
        if isinstance(event, yaml.DocumentStartEvent) and self._root is not None:
            raise self._wrong(line, "a second document begins here: one profile a file")
        if isinstance(event, yaml.ScalarEvent):
            self._scalar(event, line)
        elif isinstance(event, yaml.MappingStartEvent):
            self._begin(Node(line, kind="mapping"))
        elif isinstance(event, yaml.SequenceStartEvent):
            self._begin(Node(line, kind="sequence"))
        elif isinstance(event, yaml.CollectionEndEvent):
            self._end(line)

    def _refuse_indirection(self, event: Any, line: int) -> None:
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            sign = "*" if isinstance(event, yaml.AliasEvent) else "&"
            raise self._wrong(
                line,
                f"received {sign}{event.anchor}: anchors and aliases are refused in profiles, "
                "write the value out",
            )
        if getattr(event, "tag", None):
            raise self._wrong(
                line, f"received the tag {event.tag}: tags are refused in profiles, remove it"
            )

    def _scalar(self, event: yaml.ScalarEvent, line: int) -> None:
        if self._open and self._open[-1][0].kind == "mapping" and self._open[-1][1] is None:
            self._key(event.value, line)
            return
        plain = event.implicit[0] and event.style is None
        self._attach(Node(line, resolve(event.value) if plain else event.value))

    def _key(self, key: str, line: int) -> None:
        node, _ = self._open[-1]
        if key in node.children:
            raise ProfileError(
                one_line(
                    f"key '{key}' is given twice (first on line {node.key_lines[key]}): keep one"
                ),
                path=self._path,
                line=line,
                key=key,
            )
        node.key_lines[key] = line
        self._open[-1] = (node, key)

    def _begin(self, node: Node) -> None:
        if self._open and self._open[-1][0].kind == "mapping" and self._open[-1][1] is None:
            raise self._wrong(node.line, f"a key cannot be {_KINDS[node.kind]}: keys are words")
        self._attach(node)
        self._open.append((node, None))
        if len(self._open) > MAXIMUM_DEPTH:
            raise self._wrong(
                node.line, f"nested more than {MAXIMUM_DEPTH} levels deep: flatten it"
            )

    def _end(self, line: int) -> None:
        self._open.pop()

    def _attach(self, node: Node) -> None:
        self._nodes += 1
        if self._nodes > MAXIMUM_NODES:
            raise self._wrong(node.line, f"more than {MAXIMUM_NODES} values: shorten the profile")
        if not self._open:
            self._root = node
            return
        parent, key = self._open[-1]
        step: Step = len(parent.children) if key is None else key
        parent.children[step] = node
        self._open[-1] = (parent, None)

    def _wrong(self, line: int, message: str) -> ProfileError:
        return ProfileError(one_line(message), path=self._path, line=line)


def resolve(text: str) -> Any:
    """A plain scalar's value by the YAML 1.2 core schema; what is no number stays text.

    Infinity and not-a-number stay text: no key of a profile can mean them.
    """
    if text in _SPECIAL:
        return _SPECIAL[text]
    if _INTEGER.fullmatch(text):
        return int(text)
    if _BASED.fullmatch(text):
        return int(text, 0)
    if _FLOAT.fullmatch(text):
        return float(text)
    return text
