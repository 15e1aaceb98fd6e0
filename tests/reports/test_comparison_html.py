"""The comparison's page: what changed first, then what came of it."""

from __future__ import annotations

from dataclasses import replace

from reports.comparison_html import comparison_html, needed_text
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
