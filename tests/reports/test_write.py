"""Report files appear whole or not at all, and are the same bytes every time."""

from __future__ import annotations

import os
import pickle
import re
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.errors import StorageError
from reports.write import write_comparison, write_reports, write_whole
from tests.reports import comparisons, samples

NAMES = ["report.html", "junit.xml", "summary.json"]


def test_three_files_are_written_and_nothing_else_is_left(tmp_path: Path) -> None:
    paths = write_reports(tmp_path, samples.passing())
    assert [path.name for path in paths] == NAMES
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(NAMES)


def test_the_same_result_gives_the_same_bytes_in_another_place_and_zone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Oracle: the result after a round trip through pickle, written under another clock setting."""
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    write_reports(first, samples.failing())
    monkeypatch.setenv("TZ", "Pacific/Kiritimati")
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    copied = pickle.loads(pickle.dumps(samples.failing()))  # noqa: S301  (our own bytes)
    write_reports(second, copied)
    for name in NAMES:
        assert (first / name).read_bytes() == (second / name).read_bytes()


def test_no_module_of_the_reports_reads_a_clock_the_locale_or_the_environment() -> None:
    folder = Path(__file__).parents[2] / "reports"
    forbidden = re.compile(
        r"^\s*(?:import|from) (?:time|locale|random|platform)\b|os\.environ|\.now\("
    )
    sources = sorted(folder.glob("*.py"))
    assert len(sources) > 10
    found = [path.name for path in sources if forbidden.search(path.read_text("utf-8"))]
    assert found == []


def test_reports_import_only_what_the_floor_allows() -> None:
    folder = Path(__file__).parents[2] / "reports"
    allowed = {"results", "compared", "outcome", "errors", "units"}
    pattern = re.compile(r"^(?:from harness import (.+)|from harness\.(\w+) import .+)$", re.M)
    for path in folder.glob("*.py"):
        for names, module in pattern.findall(path.read_text("utf-8")):
            used = {module} if module else {name.strip() for name in names.split(",")}
            assert used <= allowed, path.name


def test_an_older_report_is_replaced(tmp_path: Path) -> None:
    write_reports(tmp_path, samples.passing())
    write_reports(tmp_path, samples.failing())
    assert b"<title>Fail" in (tmp_path / "report.html").read_bytes()


def test_a_missing_folder_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(
        StorageError, match=r"report\.html: the report could not be written \(No such"
    ):
        write_reports(tmp_path / "gone", samples.passing())


class Breaks:
    """Stands in for one function of `os` and fails as a full disk does."""

    def __init__(self, real: Callable[..., object], after: int) -> None:
        self.real, self.left = real, after

    def __call__(self, *arguments: object) -> object:
        self.left -= 1
        if self.left < 0:
            raise OSError(28, "No space left on device")
        return self.real(*arguments)


@pytest.mark.parametrize("after", [0, 1, 2])
def test_a_full_disk_leaves_the_old_files_and_no_part_of_the_new_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    write_reports(tmp_path, samples.passing())
    old = {name: (tmp_path / name).read_bytes() for name in NAMES}
    monkeypatch.setattr(os, "fsync", Breaks(os.fsync, after))
    with pytest.raises(StorageError, match="No space left on device"):
        write_reports(tmp_path, samples.failing())
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(NAMES)
    assert {name: (tmp_path / name).read_bytes() for name in NAMES} == old


def test_nothing_is_touched_when_a_report_cannot_be_rendered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> str:
        raise ZeroDivisionError

    monkeypatch.setattr("reports.write.summary_json", broken)
    with pytest.raises(ZeroDivisionError):
        write_reports(tmp_path, samples.passing())
    assert list(tmp_path.iterdir()) == []


def test_a_link_in_the_way_of_the_temporary_file_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("keep me")
    (tmp_path / f".page.{os.getpid()}.part").symlink_to(victim)
    write_whole(tmp_path / "page", "new")
    assert victim.read_text() == "keep me"
    assert (tmp_path / "page").read_text() == "new"


def test_a_report_may_be_read_by_others_as_far_as_the_umask_lets_it(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        path = write_whole(tmp_path / "page", "text")
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_comparison_is_written_whole_too(tmp_path: Path) -> None:
    path = write_comparison(tmp_path / "c.html", comparisons.mixed(), before="a", after="b")
    assert path.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert [item.name for item in tmp_path.iterdir()] == ["c.html"]
