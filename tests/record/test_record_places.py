"""One folder for the whole machine: which it is, and that root and users agree on it."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest

from harness.record.places import SHARED_FOLDER_VARIABLE, shared_folder, shared_folders


@pytest.fixture(autouse=True)
def _nothing_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(SHARED_FOLDER_VARIABLE)


def folder_of(place: Path, mode: int) -> Path:
    place.mkdir()
    place.chmod(mode)
    return place


def test_it_is_the_same_whatever_folder_a_user_has_for_temporary_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if os.name != "posix":
        pytest.skip("only POSIX systems have a folder that is everybody's")
    before = shared_folder()
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    assert tempfile.gettempdir() == str(tmp_path)
    assert shared_folder() == before != tmp_path


def test_the_first_that_is_everybodys_is_taken_and_no_link_private_or_unsticky_folder(
    tmp_path: Path,
) -> None:
    """Oracle: the modes that the test gives; access(2) would let root write into all of them."""
    if os.name != "posix":
        pytest.skip("modes are POSIX")
    private = folder_of(tmp_path / "private", 0o1755)
    unsticky = folder_of(tmp_path / "unsticky", 0o777)
    good = folder_of(tmp_path / "good", 0o1777)
    later = folder_of(tmp_path / "later", 0o1777)
    link = tmp_path / "link"
    link.symlink_to(later)
    file = tmp_path / "file"
    file.touch()
    given = (tmp_path / "none", link, file, private, unsticky, good, later)
    assert shared_folder([str(place) for place in given]) == good
    good.chmod(0o1773)  # nobody may list it, everybody may write
    assert shared_folder([str(place) for place in given]) == good


def test_without_such_a_folder_it_is_the_one_for_temporary_files(tmp_path: Path) -> None:
    assert shared_folder([str(tmp_path / "none")]) == Path(tempfile.gettempdir())


def test_the_variable_decides_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(SHARED_FOLDER_VARIABLE, str(tmp_path))
    assert shared_folders() == (tmp_path,)
    monkeypatch.setenv(SHARED_FOLDER_VARIABLE, "")
    assert shared_folder() != Path()


def test_what_must_outlast_a_restart_lies_in_a_second_folder_too(tmp_path: Path) -> None:
    if os.name != "posix":
        pytest.skip("modes are POSIX")
    lasting = folder_of(tmp_path / "lasting", 0o1777)
    assert shared_folders([str(lasting)]) == (shared_folder(), lasting)
    lasting.chmod(0o755)
    assert shared_folders([str(lasting)]) == (shared_folder(),)
