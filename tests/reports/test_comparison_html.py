"""The comparison's page: what changed first, then what came of it."""

from __future__ import annotations

from dataclasses import replace

from harness.compared import FactChange
from reports.comparison_html import changed_rows, comparison_html, means_text, needed_text
from tests.reports import comparisons
from tests.reports.markup import parse_html, row_of


def test_a_comparison_names_its_changes_before_its_results() -> None:
    root = parse_html(comparison_html(comparisons.mixed(), before="run 1", after="run 2"))
    headings = [element.text for element in root.find("h2")]
    assert headings == ["What changed", "Workloads", "Assumptions"]
    assert "6000 MT/s" in row_of(root, "memory speed").all_text()
    assert root.find("h1")[0].text == "1 slower, 2 undecided, 2 faster, 1 equivalent"


def test_a_comparison_says_what_an_undecided_workload_still_needs() -> None:
    undecided = comparisons.mixed().workloads[3]
    assert needed_text(undecided) == "21 trials over 4 boots a side"
    assert needed_text(replace(undecided, boots_needed=None)) == "21 trials a side"
    assert needed_text(replace(undecided, boots_needed=None, trials_needed=None)) == "not known"
    assert needed_text(replace(undecided, decision="faster")) == "nothing"


def test_a_comparison_without_anything_says_so() -> None:
    text = parse_html(comparison_html(comparisons.empty(), before="a", after="b")).all_text()
    assert "No fact and no declared setting differs" in text
    assert "no workload in common" in text


def test_both_sides_are_shown_in_their_unit_with_one_prefix() -> None:
    latency = replace(
        comparisons.mixed().workloads[3], unit="s", mean_before=1.003, mean_after=0.9048
    )
    assert means_text(latency) == "1.003 s before, 0.9048 s after"
    assert means_text(latency, " -> ", "") == "1.003 s -> 0.9048 s"
    assert means_text(replace(latency, mean_after=None)) == ""
    shown = replace(comparisons.mixed(), workloads=(latency,))
    text = parse_html(comparison_html(shown, before="a", after="b")).all_text()
    assert "1.003 s before, 0.9048 s after" in text


def test_one_workload_is_not_repeated_as_all_workloads() -> None:
    many = comparisons.mixed()
    one = replace(many, workloads=many.workloads[:1])
    texts = [
        parse_html(comparison_html(item, before="a", after="b")).all_text().lower()
        for item in (many, one)
    ]
    assert ["all workloads" in text for text in texts] == [True, False]


def test_a_page_of_typed_values_does_not_claim_to_come_from_records() -> None:
    text = parse_html(comparison_html(comparisons.mixed(), before="b.csv", after="a.csv"))
    assert "from the records of both sides alone" not in text.all_text()
    assert "records of runs, or values typed in" in text.all_text()


def test_settings_that_the_runs_of_a_side_differ_in_are_told_in_words() -> None:
    changes = (
        FactChange("setting memory_speed", ["6000MT/s", "5600MT/s"], None),
        FactChange("setting cooler", [None, "tower"], "liquid"),
    )
    assert changed_rows(changes) == (
        ("setting memory speed", "6000MT/s or 5600MT/s", "not stated"),
        ("setting cooler", "not stated or tower", "liquid"),
    )
