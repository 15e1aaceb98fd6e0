"""A judged run on a terminal: what must be known beside the verdict stands right under it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.cli.verdicts import failure_line, print_verdict, shown_value
from harness.finishing import Concluded
from harness.results import RunResult
from tests.cli.terminals import Screen, screen
from tests.reports import samples
from tests.reports.test_disturbed import DELAY, run_with


def printed(
    monkeypatch: pytest.MonkeyPatch, result: RunResult, width: int | None = None, by: str = ""
) -> Screen:
    shown = screen(monkeypatch, width)
    print_verdict(Concluded(result, Path("place"), ()), by)
    return shown


def test_the_spread_is_called_and_rounded_as_in_the_report() -> None:
    item = replace(samples.passing().workloads[0], cv_percent=19.69)
    assert shown_value(item).endswith(f"from {item.trials} trials, spread (CV) 20 %")
    assert "spread" not in shown_value(replace(item, cv_percent=None))


def test_a_pass_of_disturbed_trials_says_so_before_the_criteria(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lines = printed(monkeypatch, run_with(DELAY)).lines
    assert lines[1].startswith("PASS  after-cooler-change: ")
    head, told = lines[2].split(maxsplit=1)
    assert head == "note"
    assert told == (
        "every trial of dense-fp64 was disturbed: run delay; the values hold for these conditions"
    )
    assert not any(
        line.startswith("  note") for line in printed(monkeypatch, samples.passing()).lines
    )


def test_banners_of_the_report_are_told_too(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = printed(monkeypatch, samples.crashed()).lines
    assert (
        "  note          This record was closed after the fact: the run has no end event." in lines
    )


def test_the_closing_line_names_the_report_and_the_profile_that_judged(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    own = printed(monkeypatch, samples.passing()).lines[-1]
    other = printed(monkeypatch, samples.passing(), by="overnight\x1b[2J").lines[-1]
    assert own == f"report: {Path('place/report.html')}"
    assert other == (
        f"report, judged by the criteria of overnight\\x1b[2J: {Path('place/report.html')}"
    )


@pytest.mark.parametrize("sample", ["failing", "inconclusive", "without_sensors", "hostile"])
def test_a_narrow_terminal_gets_whole_words_under_their_beginning(
    monkeypatch: pytest.MonkeyPatch, sample: str
) -> None:
    shown = printed(monkeypatch, samples.everything()[sample], 80)
    assert max(map(len, shown.lines)) <= 80
    assert not set(shown.text) & {"\x1b", "\x00", "\u202e"}
    rest = [line for line in shown.lines[2:-1] if line.startswith(" " * 10)]
    assert all(line.startswith(" " * 16) for line in rest)


def test_a_pipe_gets_one_line_a_criterion_a_workload_and_a_failure(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = samples.failing()
    lines = printed(monkeypatch, run).lines
    assert len(lines) == 1 + 1 + len(run.criteria) + len(run.workloads) + len(run.failures) + 1
    assert failure_line(run.failures[0]) in lines
