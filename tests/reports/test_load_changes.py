"""Loads against a baseline: every one of them is told, not only the one that decided."""

from __future__ import annotations

from dataclasses import replace

from harness.compared import WorkloadComparison
from harness.results import RunResult
from reports.html import report_html
from reports.load_changes import load_changes
from tests.reports import samples
from tests.reports.markup import parse_html


def compared(name: str, ratio: float | None, decision: str, why: str = "") -> WorkloadComparison:
    ends = (None, None) if ratio is None else (ratio - 0.01, ratio + 0.01)
    made = WorkloadComparison(
        name, "flop/s", ratio, *ends, decision, *ends, 6, 6, 1, 1, None, None, why
    )
    return made if ratio is None else replace(made, mean_before=10.2e9, mean_after=10.2e9 * ratio)


def against_a_baseline() -> RunResult:
    run = samples.passing()
    first, second = (item.name for item in run.workloads[:2])
    return replace(
        run,
        baseline_runs=("before",),
        compared=(
            compared(first, 0.49, "slower"),
            compared(second, 1.02, "faster"),
            compared("gone", None, "undecided", "measured before only"),
        ),
    )


def test_every_load_has_a_row_with_before_after_change_and_decision() -> None:
    slower, faster, gone = load_changes(against_a_baseline())
    assert (slower.before, slower.after) == ("10.20 GFLOP/s", "4.998 GFLOP/s")
    assert slower.change == "−51.00 % (−52.00 % to −50.00 %)"
    assert (slower.decision, faster.decision) == ("slower", "faster")
    assert (gone.change, gone.after, gone.why) == (
        "not measured", "not measured", "measured before only",
    )  # fmt: skip
    assert load_changes(samples.passing()) == ()


def test_the_report_tells_each_load_in_what_changed() -> None:
    text = parse_html(report_html(against_a_baseline())).all_text()
    assert "Each load against the baseline" in text
    assert "−51.00 % (−52.00 % to −50.00 %)" in text
    assert "+2.00 %" in text
    assert "Each load against" not in parse_html(report_html(samples.small())).all_text()
