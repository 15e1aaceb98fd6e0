"""A judged run on a terminal: what must be known beside the verdict stands right under it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.cli.verdicts import failure_line, print_verdict, shown_value
from harness.compared import FactChange
from harness.finishing import Concluded
from harness.outcome import Ending
from harness.results import RunResult, TrialPoint
from tests.cli.terminals import Screen, screen
from tests.reports import samples
from tests.reports.test_disturbed import DELAY, run_with
from tests.reports.test_load_changes import against_a_baseline


def printed(
    monkeypatch: pytest.MonkeyPatch, result: RunResult, width: int | None = None, by: str = ""
) -> Screen:
    shown = screen(monkeypatch, width)
    print_verdict(Concluded(result, Path("place"), ()), by)
    return shown


def test_the_spread_is_called_and_rounded_as_in_the_report() -> None:
    item = replace(samples.passing().workloads[0], cv_percent=19.69)
    item = replace(item, points=(), rejected=0)
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
        "every trial of dense-fp64 was disturbed: run delay (75.2 %); "
        "the values hold for these conditions"
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


def test_trials_that_are_not_in_the_mean_are_not_counted_as_its_own() -> None:
    item = replace(samples.passing().workloads[0], trials=6, rejected=1, points=())
    assert "from 5 of 6 trials (1 rejected)" in shown_value(item)
    warm = (TrialPoint(0, 1, 1, 1.0, 9.0, "warm-up"),)
    assert "from 4 of 6 trials (1 warm-up, 1 rejected)" in shown_value(replace(item, points=warm))


def test_each_load_is_told_against_the_baseline(monkeypatch: pytest.MonkeyPatch) -> None:
    run = against_a_baseline()
    lines = printed(monkeypatch, run).lines
    first = lines.index("  against the baseline before")
    name = run.workloads[0].name
    assert (
        lines[first + 1].split()
        == (
            f"{name} before 10.20 GFLOP/s, after 4.998 GFLOP/s, "
            "change −51.00 % (−52.00 % to −50.00 %): slower"
        ).split()
    )
    assert "undecided (measured before only)" in lines[first + 3]
    assert "against the baseline" not in printed(monkeypatch, samples.passing()).text


def test_settings_that_differ_from_the_baselines_are_warned_of(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    changes = (
        FactChange("setting memory_speed", "6000MT/s", None),
        FactChange("setting cooler", None, "liquid"),
        FactChange("firmware.version", "1", "2"),
    )
    shown = printed(monkeypatch, replace(samples.passing(), changes=changes)).text
    assert "warning: the baseline declared memory_speed=6000MT/s; this run declares none" in shown
    assert "warning: the baseline declared no cooler; this run declares cooler=liquid" in shown
    assert "firmware" not in shown


def test_after_an_interruption_the_command_that_carries_on_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    interrupted = replace(samples.passing(), ending=Ending.INTERRUPTED)
    assert printed(monkeypatch, interrupted).lines[-2] == "to carry on: rigproof resume place"
    assert "resume" not in printed(monkeypatch, samples.passing()).text
