"""A verdict whose trials were all disturbed says so; one quiet trial is enough to be silent."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.outcome import Verdict
from harness.results import RunResult, WorkloadResult
from reports.disturbed import disturbed_text, kind_of
from reports.html import report_html
from reports.junit import junit_xml
from tests.reports import samples
from tests.reports.markup import parse_html

DELAY = "run delay 75.2 % of the trial on CPU 0"
SWITCHES = "115 involuntary switches a second on CPU 1"


def disturbed(item: WorkloadResult, *causes: str, quiet: int = 0) -> WorkloadResult:
    """`item` with `causes` for each trial behind its mean but the first `quiet` ones."""
    kept = [point for point in item.points if point.state in ("kept", "flagged")]
    spared = {point.trial for point in kept[:quiet]}
    points = tuple(
        replace(point, causes=() if point.trial in spared else causes) for point in item.points
    )
    return replace(item, points=points)


def run_with(*causes: str, quiet: int = 0) -> RunResult:
    first, *others = samples.passing().workloads
    return replace(samples.passing(), workloads=(disturbed(first, *causes, quiet=quiet), *others))


@pytest.mark.parametrize(
    ("cause", "kind"),
    [
        (DELAY, "run delay"),
        (SWITCHES, "involuntary switches"),
        ("throttling (3 events)", "throttling"),
        ("clock 4.3 % below its usual value", "clock below its usual value"),
        ("7 °C hotter than usual", "hotter than usual"),
        ("12 page faults from disk", "page faults from disk"),
        ("12 %", "12 %"),
    ],
)
def test_a_kind_of_cause_has_no_numbers_and_no_place(cause: str, kind: str) -> None:
    assert kind_of(cause) == kind


def test_a_workload_without_one_quiet_trial_is_named_with_the_commonest_kinds() -> None:
    assert disturbed_text(run_with(DELAY, SWITCHES).workloads) in (
        "every trial of dense-fp64 was disturbed: run delay (75.2 %), involuntary switches; "
        "the values hold for these conditions",
        "every trial of dense-fp64 was disturbed: involuntary switches, run delay (75.2 %); "
        "the values hold for these conditions",
    )


def test_how_far_the_disturbance_went_is_told_from_its_least_to_its_most() -> None:
    first = samples.passing().workloads[0]
    shares = [f"run delay {0.8 + 0.1 * place:.1f} % on CPU 1" for place in range(len(first.points))]
    points = tuple(
        replace(point, causes=(text,)) for point, text in zip(first.points, shares, strict=True)
    )
    kept = [it.causes[0].split()[2] for it in points if it.state in ("kept", "flagged")]
    wanted = f"run delay ({kept[0]} to {kept[-1]} %)"
    assert wanted in disturbed_text((replace(first, points=points),))


@pytest.mark.parametrize("run", [run_with(DELAY, quiet=1), samples.passing(), samples.judged()])
def test_one_quiet_trial_or_no_trial_at_all_is_not_worth_the_sentence(run: RunResult) -> None:
    assert disturbed_text(run.workloads) == ""


def test_many_workloads_are_counted_and_two_are_joined() -> None:
    items = tuple(disturbed(item, DELAY) for item in samples.passing().workloads)
    assert "every trial of dense-fp64 and memory-read was" in disturbed_text(items[:2])
    many = tuple(replace(items[0], name=f"load-{number}") for number in range(5))
    assert "every trial of 5 workloads was" in disturbed_text(many)


def test_a_pass_stands_beside_the_sentence_in_the_page_and_in_junit() -> None:
    run = run_with(DELAY)
    assert run.verdict is Verdict.PASS
    sentence = "every trial of dense-fp64 was disturbed: run delay (75.2 %"
    section = parse_html(report_html(run)).find("section")[0].all_text()
    assert sentence in section.replace("\xa0", " ")
    assert sentence in junit_xml(run)
    quiet = samples.passing()
    assert "was disturbed:" not in parse_html(report_html(quiet)).find("section")[0].all_text()
    assert "was disturbed:" not in junit_xml(quiet)


def test_a_hostile_cause_or_name_stays_on_its_line() -> None:
    item = replace(disturbed(samples.passing().workloads[0], "bad\n\x1b[2J<b>"), name="a\nb")
    text = disturbed_text((item,))
    assert "\n" not in text
    assert "\x1b" not in text
