"""The YAML reader: positions, bounds, and the core schema of YAML 1.2.2."""

from __future__ import annotations

import re

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import ProfileError
from harness.profile.positions import (
    MAXIMUM_BYTES,
    MAXIMUM_DEPTH,
    MAXIMUM_NODES,
    decode,
    read_tree,
    resolve,
)


def error_of(text: str) -> ProfileError:
    with pytest.raises(ProfileError) as caught:
        read_tree(text, "p.yaml")
    return caught.value


# Examples of YAML 1.2.2, 10.3.2 (tag resolution of the core schema), beside what YAML 1.1 would
# have made of them.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("null", None),
        ("~", None),
        ("true", True),
        ("False", False),
        ("0", 0),
        ("-19", -19),
        ("0o7", 7),
        ("0x3A", 58),
        ("0.", 0.0),
        ("-0.0", -0.0),
        (".5", 0.5),
        ("+12e03", 12000.0),
        ("-2E+05", -200000.0),
        ("no", "no"),
        ("on", "on"),
        ("1:30", "1:30"),
        ("0777", 777),
        ("1_000", "1_000"),
        ("2026-01-31", "2026-01-31"),
        (".inf", ".inf"),
        (".nan", ".nan"),
        ("95 °C", "95 °C"),
    ],
)
def test_a_plain_scalar_means_what_the_core_schema_says(text: str, value: object) -> None:
    found = resolve(text)
    assert found == value
    assert type(found) is type(value)


def test_a_quoted_number_stays_text() -> None:
    assert read_tree('a: "3"', "p").plain() == {"a": "3"}


def test_every_value_knows_its_line_and_every_key_too() -> None:
    root = read_tree("a: 1\nb:\n  - x\n  - c: 2\n", "p")
    assert (root.key_lines["a"], root.key_lines["b"]) == (1, 2)
    entries = root.children["b"].children
    assert (entries[0].line, entries[1].line) == (3, 4)
    assert entries[1].key_lines["c"] == 4


@pytest.mark.parametrize("text", ["", "\n", "# only a comment\n", "---\n", "null\n", "~"])
def test_an_empty_file_is_said_to_be_empty(text: str) -> None:
    assert "the file is empty" in str(error_of(text))


@pytest.mark.parametrize("text", ["- a\n- b\n", "just words\n", "42"])
def test_a_profile_must_be_keys_with_values(text: str) -> None:
    assert "at the top" in str(error_of(text))


def test_a_key_given_twice_names_both_lines() -> None:
    error = error_of("a: 1\nb: 2\na: 3\n")
    assert (error.line, error.key) == (3, "a")
    assert "first on line 1" in str(error)


def test_a_key_given_twice_is_found_at_any_depth() -> None:
    assert error_of("a:\n  - {x: 1, x: 2}\n").key == "x"


ALIAS_BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{chr(98 + step)}: &{chr(98 + step)} [{','.join(['*' + chr(97 + step)] * 9)}]\n"
    for step in range(12)
)


@pytest.mark.parametrize("text", [ALIAS_BOMB, "a: &x 1\n", "a: *x\n", "<<: *x\n"])
def test_anchors_and_aliases_are_refused(text: str) -> None:
    assert "anchors and aliases are refused" in str(error_of(text))


def test_tags_are_refused() -> None:
    assert "tags are refused" in str(error_of("a: !!python/object/apply:os.system ['true']"))


def test_a_second_document_is_refused() -> None:
    error = error_of("a: 1\n---\nb: 2\n")
    assert "one profile a file" in str(error)
    assert error.line == 2


def test_nesting_is_bounded_without_recursion() -> None:
    assert "levels deep" in str(error_of("a: " + "[" * 100_000))
    deep = "a: " + "[" * (MAXIMUM_DEPTH - 1) + "]" * (MAXIMUM_DEPTH - 1)
    assert read_tree(deep, "p").children["a"].kind == "sequence"


def test_the_number_of_values_is_bounded() -> None:
    assert "shorten the profile" in str(error_of("a: [" + "1," * (MAXIMUM_NODES + 1) + "]"))


@pytest.mark.parametrize("text", ["a: [1\n", 'a: "x\n', "a: b: c\n", "? [x]\n: 1\n", "a\n  b: 1"])
def test_broken_syntax_names_the_line(text: str) -> None:
    assert re.match(r"p\.yaml:\d+: ", str(error_of(text)))


def test_a_tab_as_indentation_is_explained() -> None:
    assert "never with tabs" in str(error_of("a:\n\tb: 1\n"))


def test_a_file_over_the_limit_is_refused_before_it_is_parsed() -> None:
    with pytest.raises(ProfileError, match="larger than 1000 kB"):
        decode(b"#" * (MAXIMUM_BYTES + 1), "p.yaml")


@pytest.mark.parametrize(
    ("raw", "line", "words"),
    [
        (b"\x7fELF\x02\x01\x01\x00", 1, "U+007F"),
        (b"name: x\n\xff\xfe", 2, "0xff"),
        (b"name: x\n\nb: \x00", 3, "U+0000"),
        (b"\x1b[31m", 1, "U+001B"),
    ],
)
def test_binary_junk_names_the_byte_and_the_line(raw: bytes, line: int, words: str) -> None:
    with pytest.raises(ProfileError) as caught:
        read_tree(decode(raw, "p.yaml"), "p.yaml")
    assert caught.value.line == line
    assert words in str(caught.value)


def test_a_byte_order_mark_is_no_junk() -> None:
    assert decode(b"\xef\xbb\xbfname: x", "p") == "name: x"


# Texts without digits: the writer knows YAML 1.1, in which 0E0 is a text and needs no quotes.
WORDS = st.text(st.characters(exclude_characters="0123456789", codec="utf-8"), max_size=20)
PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**17), 10**17) | WORDS,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.from_regex(r"[a-z]{1,8}", fullmatch=True), inner, max_size=4)
    ),
    max_leaves=20,
)


def tuples(value: object) -> object:
    if isinstance(value, list):
        return tuple(tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: tuples(item) for key, item in value.items()}
    return value


@given(st.dictionaries(st.from_regex(r"[a-z]{1,8}", fullmatch=True), PLAIN, min_size=1))
@settings(max_examples=60, deadline=None)
def test_what_a_yaml_writer_wrote_is_read_back(tree: dict[str, object]) -> None:
    text = yaml.safe_dump(tree, allow_unicode=False, sort_keys=False)
    if "&id" in text:  # the same object twice becomes an anchor, which profiles refuse
        return
    assert read_tree(text, "p").plain() == tuples(tree)


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
@settings(max_examples=300, deadline=None)
def test_no_bytes_at_all_make_the_reader_fail_otherwise(raw: bytes) -> None:
    try:
        root = read_tree(decode(raw, "p"), "p")
    except ProfileError as error:
        assert "\n" not in str(error).strip()
    else:
        assert root.kind == "mapping"
