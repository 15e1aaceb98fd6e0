"""Verification names every changed file and never fails itself; sums are those of sha256sum."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from record_samples import begin, finished_run

from harness.errors import RecordError, StorageError
from harness.record.database import RECORD_NAME
from harness.record.files import sha256_of, write_atomic
from harness.record.listing import list_runs
from harness.record.sums import SUMS_NAME, read_sums, summed_files, write_sums
from harness.record.verify import Problem, verify_run


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A finished run with its reports."""
    made = finished_run(tmp_path)
    (made / "report.html").write_text("<p>report</p>")
    (made / "judgements" / "ab12").mkdir(parents=True)
    (made / "judgements" / "ab12" / "summary.json").write_text("{}")
    write_sums(made)
    return made


def files_named(problems: tuple[Problem, ...]) -> set[str]:
    return {problem.file for problem in problems}


def test_an_untouched_run_has_no_problem(folder: Path) -> None:
    assert verify_run(folder) == ()


def test_sums_are_read_by_the_standard_tool_and_name_every_file(folder: Path) -> None:
    assert list(read_sums(folder)) == [
        "judgements/ab12/summary.json",
        RECORD_NAME,
        "report.html",
    ]
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("this system has no sha256sum to check against")
    subprocess.run([tool, "--strict", "-c", SUMS_NAME], cwd=folder, check=True, capture_output=True)


def test_working_files_have_no_digest(folder: Path) -> None:
    for name in (".hidden", f"{RECORD_NAME}-wal", f"{RECORD_NAME}-shm", "x-journal"):
        (folder / name).write_text("")
    (folder / ".parts").mkdir()
    (folder / ".parts" / "x").write_text("")
    assert summed_files(folder) == sorted(read_sums(folder))


def test_a_flipped_bit_anywhere_in_the_sums_is_noticed(folder: Path) -> None:
    whole = (folder / SUMS_NAME).read_bytes()
    for place in range(len(whole)):
        changed = bytearray(whole)
        changed[place] ^= 1 << place % 8
        (folder / SUMS_NAME).write_bytes(changed)
        assert verify_run(folder) != (), f"bit {place % 8} of byte {place}"


def test_a_changed_record_with_new_sums_is_found_by_the_chain(folder: Path) -> None:
    whole = (folder / RECORD_NAME).read_bytes()
    assert whole.count(b"fan at full speed") == 1
    (folder / RECORD_NAME).write_bytes(whole.replace(b"fan at full speed", b"fan at half speed"))
    write_sums(folder)
    problems = verify_run(folder)
    assert files_named(problems) == {RECORD_NAME}
    assert "does not match its hash" in problems[0].text


def test_a_missing_an_added_and_a_changed_file_are_named(folder: Path) -> None:
    (folder / "report.html").unlink()
    (folder / "extra.txt").write_text("")
    (folder / "judgements" / "ab12" / "summary.json").write_text("{ }")
    told = {problem.file: problem.text for problem in verify_run(folder)}
    assert "missing" in told["report.html"]
    assert "not listed" in told["extra.txt"]
    assert "SHA-256" in told["judgements/ab12/summary.json"]


@pytest.mark.parametrize("name", ["/etc/passwd", "../x", "a/../../x", "..\\x", "a\0b"])
def test_a_name_outside_the_folder_is_not_followed(folder: Path, name: str) -> None:
    digest = "0" * 64
    (folder / SUMS_NAME).write_text((folder / SUMS_NAME).read_text() + f"{digest}  {name}\n")
    (problem,) = verify_run(folder)
    assert problem.file == SUMS_NAME
    assert "outside" in problem.text


def test_a_link_out_of_the_folder_is_not_followed(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("x")
    (folder / "link").symlink_to(tmp_path / "secret")
    write_sums(folder)
    (problem,) = verify_run(folder)
    assert (problem.file, problem.text) == ("link", "it leads out of the run's folder")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\xff\xfe", "not readable"),
        (b"no digest\n", "line 1 is no digest"),
        (b"0" * 64 + b"  a\n" + b"0" * 64 + b"  a\n", "line 2"),
        (b"0" * 64 + b"  a", "last line"),
        (b"x" * (5 << 20), "larger"),
    ],
)
def test_odd_sums_are_one_clear_problem(folder: Path, content: bytes, told: str) -> None:
    (folder / SUMS_NAME).write_bytes(content)
    (problem,) = verify_run(folder)
    assert (problem.file, told in problem.text) == (SUMS_NAME, True)
    with pytest.raises(RecordError, match=told):
        read_sums(folder)


def test_a_run_that_goes_on_has_no_sums_and_no_end_yet(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    told = verify_run(writer.folder)
    assert any("never finished" in problem.text for problem in told)
    assert any("no end event" in problem.text for problem in told)
    writer.abandon()


def test_an_empty_folder_is_two_problems(tmp_path: Path) -> None:
    assert files_named(verify_run(tmp_path)) == {SUMS_NAME, RECORD_NAME}


def test_a_file_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    write_atomic(path, b"one")
    write_atomic(path, b"two", mode=0o600)
    assert path.read_bytes() == b"two"
    assert path.stat().st_mode & 0o777 == 0o600
    assert [entry.name for entry in tmp_path.iterdir()] == ["x.json"]
    # SHA-256 of "abc": FIPS 180-4, example of section B.1 of its predecessor.
    write_atomic(path, b"abc")
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of(path) == known


def test_a_file_that_cannot_be_written_leaves_the_old_one(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="not written"):
        write_atomic(tmp_path / "none" / "x", b"")
    path = tmp_path / "taken"
    path.mkdir()
    (path / "inside").write_text("")
    with pytest.raises(StorageError, match="not written"):
        write_atomic(path, b"")
    assert [entry.name for entry in tmp_path.iterdir()] == ["taken"]


@pytest.mark.parametrize("name", [SUMS_NAME, "report.html", "record.sqlite3", "summary.json"])
def test_a_pipe_in_a_strangers_folder_is_told_and_nobody_waits_for_it(
    folder: Path, name: str
) -> None:
    """Without the look at its kind this would never end: nobody writes to the pipe."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no pipes with a name")
    sums = folder / SUMS_NAME
    sums.write_text(f"{'0' * 64}  report.html\n{'0' * 64}  summary.json\n")
    (folder / name).unlink(missing_ok=True)
    os.mkfifo(folder / name)
    told = [problem for problem in verify_run(folder) if problem.file == name]
    assert any("no plain file" in it.text or "no such record" in it.text for it in told), told
    assert len(list_runs(folder.parent)) == 1
