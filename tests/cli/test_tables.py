"""Tables for people: no squeezed columns on a narrow terminal, no wrapped line in a pipe."""

from __future__ import annotations

import pytest

from harness.cli.planning import workloads
from harness.cli.tables import Column, fits, lines_of, show_hanging, workload_table
from tests.cli.terminals import Screen, screen
from workloads.registry import load, names

COLUMNS = (Column("name"), Column("what it does", is_prose=True))
SENTENCE = "a sentence that is much longer than the narrowest column that can still be read"


def document(name: str, **changes: object) -> dict[str, object]:
    return {
        "name": name,
        "family": "dense",
        "unit": "flop",
        "purpose": SENTENCE,
        "check": "every digit of it",
        "basis": "mean",
        "available": True,
        "reason": None,
        "needs_permission": False,
        **changes,
    }


def test_a_table_fits_where_its_sentences_keep_a_readable_width() -> None:
    rows = [("mill", SENTENCE)]
    assert fits(COLUMNS, rows, 4 + 2 + 32)
    assert not fits(COLUMNS, rows, 4 + 2 + 31)


def test_columns_of_lines_are_aligned_by_what_a_terminal_shows_and_end_without_blanks() -> None:
    assert list(lines_of([("名前", "x", "y"), ("a", "xyz", "")])) == ["名前  x    y", "a     xyz"]


def test_further_lines_of_a_text_begin_under_its_first(monkeypatch: pytest.MonkeyPatch) -> None:
    made = Screen(20)
    show_hanging(made.console, "head  ", "one two three four five")
    assert made.lines == ["head  one two three", "      four five"]


@pytest.mark.parametrize("width", [60, 80])
def test_each_workload_is_a_block_of_its_own_on_a_narrow_terminal(
    monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    shown = screen(monkeypatch, width)
    workloads()
    assert max(map(len, shown.lines)) <= width
    blocks = shown.lines[: shown.lines.index("")]
    heads = [line.split("  ")[0] for line in blocks if not line.startswith(" ")]
    assert heads == list(names())
    assert sum(line.startswith("  verified by") for line in blocks) == len(heads)
    assert [line for line in blocks if line.startswith("  here")] == [
        "  here         with --allow-commands"
    ]
    words = " ".join(shown.text.split())
    assert "score of every workload: work over the trial's whole time" in words
    assert all(load(name).purpose in words and load(name).check in words for name in names())


def test_a_wide_terminal_gets_a_table_with_one_heading(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = screen(monkeypatch, 200)
    workloads()
    assert shown.lines[0].split()[:4] == ["workload", "family", "unit", "here"]
    assert max(map(len, shown.lines)) <= 200
    rows = shown.lines[1 : shown.lines.index("")]
    assert [line.split()[0] for line in rows if line[:1].strip()] == list(names())


def test_a_pipe_gets_one_unwrapped_line_a_workload(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    screen(monkeypatch, None)
    workloads()
    lines = capsys.readouterr().out.splitlines()
    by_name = {line.split()[0]: line for line in lines[1:]}
    assert list(by_name)[: len(names())] == list(names())
    assert all(load(name).check in by_name[name] for name in names())


@pytest.mark.parametrize("width", [80, 200, None])
def test_what_cannot_run_here_says_why(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], width: int | None
) -> None:
    shown = screen(monkeypatch, width)
    workload_table([document("mill", available=False, reason="no stone\x1b[31m")])
    text = capsys.readouterr().out if width is None else shown.text
    assert "mill is not available here: no stone\\x1b[31m" in text


def test_what_a_score_is_made_of_is_told_once_where_all_agree(
    capsys: pytest.CaptureFixture[str],
) -> None:
    workload_table([document("mill"), document("saw")])
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("score of")]
    assert lines == [
        "score of every workload: work over the trial's whole time, so that throttling and every "
        "stall count"
    ]


def test_a_workload_with_a_score_of_its_own_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    workload_table([document("mill"), document("saw", basis="capability"), document("lathe")])
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("score of")]
    assert [line.partition(":")[0] for line in lines] == ["score of saw", "score of all others"]
    assert "10th percentile of the pass times" in lines[0]
