"""Reading small files: bounded, never blocking, links kept inside the tree."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors import files


def test_an_attribute_sees_a_value_that_is_written_in_place(tmp_path: Path) -> None:
    path = tmp_path / "temp1_input"
    path.write_text("45000\n")
    attribute = files.Attribute(path)
    assert attribute.read() == b"45000\n"
    with path.open("r+b") as file:
        file.write(b"46000\n")
    assert attribute.read() == b"46000\n"
    attribute.close()


def test_a_kept_descriptor_is_used_for_the_second_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a"
    path.write_text("1")
    attribute = files.Attribute(path)
    attribute.read()

    def refuse(*_: object) -> int:
        raise AssertionError("opened again")

    monkeypatch.setattr(files, "open_regular", refuse)
    assert attribute.read() == b"1"
    attribute.close()


def test_an_attribute_that_failed_is_opened_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a"
    path.write_text("1")
    attribute = files.Attribute(path)
    attribute.read()
    real = files.pread

    def fail(*_: int) -> bytes:
        raise OSError(errno.ENODEV, "gone")

    monkeypatch.setattr(files, "pread", fail)
    with pytest.raises(OSError, match="gone"):
        attribute.read()
    monkeypatch.setattr(files, "pread", real)
    assert attribute.read() == b"1"
    attribute.close()


def test_a_fifo_a_folder_and_a_link_are_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("1")
    (tmp_path / "link").symlink_to("file")
    for name in ("fifo", "folder", "link"):
        with pytest.raises(OSError):
            files.read_bytes(tmp_path / name)


def test_a_huge_file_is_read_only_up_to_the_limit(tmp_path: Path) -> None:
    path = tmp_path / "huge"
    with path.open("wb") as file:
        file.truncate(1 << 34)
    assert len(files.read_bytes(path)) == files.LIMIT_BYTES
    attribute = files.Attribute(path)
    assert len(attribute.read()) == files.LIMIT_BYTES
    attribute.close()


def test_bytes_that_are_not_utf8_become_replacement_characters(tmp_path: Path) -> None:
    path = tmp_path / "label"
    path.write_bytes(b"CPU\xff\xfe\n")
    assert files.read_text(path) == "CPU\ufffd\ufffd"


def test_names_come_in_natural_order_and_bounded(tmp_path: Path) -> None:
    for number in (10, 2, 1):
        (tmp_path / f"temp{number}").touch()
    assert files.names_in(tmp_path) == ["temp1", "temp2", "temp10"]
    assert len(files.names_in(tmp_path, limit=2)) == 2
    assert files.names_in(tmp_path / "missing") == []


def test_links_that_loop_or_leave_the_tree_are_not_followed(tmp_path: Path) -> None:
    root = tmp_path / "root"
    root.mkdir()
    (tmp_path / "outside").mkdir()
    (root / "loop").symlink_to("loop")
    (root / "out").symlink_to("../outside")
    (root / "dangling").symlink_to("nowhere")
    (root / "in").mkdir()
    assert files.inside(root, root / "loop") is None
    assert files.inside(root, root / "out") is None
    assert files.inside(root, root / "dangling") is None
    assert files.inside(root, root / "in") == root / "in"
    assert files.below(root, root / "in") == "in"


def test_an_errno_is_named_and_explained() -> None:
    assert files.describe(OSError(errno.EIO, "Input/output error")) == "EIO: Input/output error"
    assert files.describe(OSError("odd")) == "odd"


@given(st.text(max_size=300))
def test_visible_text_is_one_printable_line_of_bounded_length(text: str) -> None:
    shown = files.visible(text, 100)
    assert shown.isprintable()
    assert len(shown) <= 401


def test_visible_leaves_plain_text_alone_and_escapes_escapes() -> None:
    assert files.visible("Package id 0 °C") == "Package id 0 °C"
    assert files.visible("a\x1b[31mb\n") == "a\\x1b[31mb\\n"


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("0", 0),
        ("-17", -17),
        ("+5", 5),
        ("18446744073709551615", 2**64 - 1),
        ("9" * 20, 10**20 - 1),
    ],
)
def test_a_whole_number_of_a_drivers_size_is_one(text: str, number: int) -> None:
    assert files.whole_number(text) == number


@pytest.mark.parametrize("text", ["", "9" * 21, "9" * 400, "9" * 5000, "1.5", "1_0", "٣", "x", "-"])
def test_anything_else_is_no_number_and_raises_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / "a").write_text(text)
    assert files.whole_number(text) is None
    assert files.number_or_none(tmp_path / "a") is None
