"""Small strict readers of HTML and JUnit XML, for tests: what they do not know, they refuse."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from xml.etree import ElementTree

VOID = {"meta", "br", "hr", "img", "link", "input"}


@dataclass
class Element:
    """One element with its attributes, its children, and the text directly inside it."""

    tag: str
    attributes: dict[str, str]
    children: list[Element] = field(default_factory=list)
    text: str = ""

    def walk(self) -> Iterator[Element]:
        """This element and everything in it, in document order."""
        yield self
        for child in self.children:
            yield from child.walk()

    def all_text(self) -> str:
        """All text inside, children's after the element's own."""
        return self.text + " ".join(child.all_text() for child in self.children)

    def find(self, tag: str) -> list[Element]:
        """All elements of one kind."""
        return [item for item in self.walk() if item.tag == tag]


class _Builder(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("document", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = self._add(tag, attrs)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._add(tag, attrs)

    def handle_endtag(self, tag: str) -> None:
        found = self.open.pop().tag
        assert found == tag, f"line {self.getpos()[0]}: <{found}> is closed by </{tag}>"

    def handle_data(self, data: str) -> None:
        self.open[-1].text += data

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment in a report: {data!r}")

    def _add(self, tag: str, attrs: list[tuple[str, str | None]]) -> Element:
        names = [name for name, _ in attrs]
        assert len(set(names)) == len(names), f"<{tag}> has an attribute twice: {names}"
        element = Element(tag, {name: value or "" for name, value in attrs})
        self.open[-1].children.append(element)
        return element


def parse_html(text: str) -> Element:
    """The tree of a page. Unlike a browser it forgives nothing: every element must be closed."""
    builder = _Builder()
    builder.feed(text)
    builder.close()
    assert builder.open == [builder.root], f"never closed: {[e.tag for e in builder.open[1:]]}"
    return builder.root


def row_of(element: Element, words: str) -> Element:
    """The innermost table row that contains `words`."""
    return next(row for row in element.find("tr") if words in row.all_text())


@dataclass(frozen=True)
class _Rule:
    required: frozenset[str]
    optional: frozenset[str]
    #: Children in the order in which they must come; "*" any number, "?" at most one.
    children: tuple[str, ...] = ()
    has_text: bool = False


def _rule(required: str, optional: str = "", children: str = "", has_text: bool = False) -> _Rule:
    return _Rule(
        frozenset(required.split()), frozenset(optional.split()), tuple(children.split()), has_text
    )


#: What the published descriptions of the format have in common, read strictly.
JUNIT = {
    "testsuites": _rule("name tests failures errors", "time", "testsuite*"),
    "testsuite": _rule(
        "name tests failures errors skipped timestamp",
        "time",
        "properties testcase* system-out? system-err?",
    ),
    "properties": _rule("", "", "property*"),
    "property": _rule("name value"),
    "testcase": _rule("classname name", "time", "skipped? error* failure* system-out* system-err*"),
    "failure": _rule("type message", has_text=True),
    "error": _rule("type message", has_text=True),
    "skipped": _rule("message"),
    "system-out": _rule("", has_text=True),
    "system-err": _rule("", has_text=True),
}


def parse_junit(text: str) -> ElementTree.Element:
    """The tree of a JUnit document; AssertionError where its structure is not allowed."""
    root = ElementTree.fromstring(text.encode("utf-8"))  # noqa: S314  (made a moment ago)
    assert root.tag == "testsuites"
    for element in root.iter():
        _check(element)
    for suite in root:
        _check_counts(suite)
    return root


def _check(element: ElementTree.Element) -> None:
    rule = JUNIT[element.tag]
    names = set(element.attrib)
    assert rule.required <= names <= rule.required | rule.optional, (element.tag, names)
    assert rule.has_text or not (element.text or "").strip(), (element.tag, element.text)
    remaining = [child.tag for child in element]
    for part in rule.children:
        name, most = part.rstrip("*?"), {"*": len(remaining), "?": 1}.get(part[-1], 1)
        taken = 0
        while remaining and remaining[0] == name and taken < most:
            remaining.pop(0)
            taken += 1
        assert taken or part[-1] in "*?", f"{element.tag} needs a {name}"
    assert not remaining, f"{element.tag} must not hold {remaining} there"


def _check_counts(suite: ElementTree.Element) -> None:
    cases = suite.findall("testcase")
    for attribute, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        found = sum(case.find(tag) is not None for case in cases)
        assert int(suite.attrib[attribute]) == found, attribute
    assert int(suite.attrib["tests"]) == len(cases)
    names = [(case.attrib["classname"], case.attrib["name"]) for case in cases]
    assert len(set(names)) == len(names), "two cases of one name"
