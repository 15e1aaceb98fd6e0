"""Reports laid out by a real browser: nothing overlaps, nothing is cut, nothing leaves the page."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

from reports.comparison_html import comparison_html
from reports.html import report_html
from tests.browser.chromium import laid_out
from tests.reports import comparisons, samples

Box = tuple[float, float, float, float]
#: Boxes of text include room above and below the letters; lines may share a little of it.
SLACK_PIXELS = 3.0


def overlapping(first: Box, second: Box) -> bool:
    across = min(first[2], second[2]) - max(first[0], second[0])
    down = min(first[3], second[3]) - max(first[1], second[1])
    return across > SLACK_PIXELS and down > SLACK_PIXELS


def clashes(answer: dict[str, Any]) -> list[tuple[str, str]]:
    """Pairs of texts of one figure that lie on each other."""
    return [
        (first["text"], second["text"])
        for figure in answer["figures"]
        for first, second in combinations(figure["texts"], 2)
        if overlapping(first["box"], second["box"])
    ]


def escaped(answer: dict[str, Any]) -> list[str]:
    """Texts that leave their figure and would be cut off."""
    return [
        text["text"]
        for figure in answer["figures"]
        for text in figure["texts"]
        if text["box"][0] < figure["frame"][0] - 1 or text["box"][2] > figure["frame"][2] + 1
    ]


def brightness(colour: str) -> float:
    red, green, blue = (float(part) for part in re.findall(r"[\d.]+", colour)[:3])
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


PAGES = {
    "failing": lambda: report_html(samples.failing()),
    "safety stop": lambda: report_html(samples.safety_stopped()),
    "wide": lambda: report_html(samples.wide()),
    "comparison": lambda: comparison_html(comparisons.mixed(), before="one", after="two"),
}


@pytest.mark.parametrize("name", list(PAGES))
def test_no_text_of_a_figure_lies_on_another_or_leaves_it(name: str, tmp_path: Path) -> None:
    answer = laid_out(PAGES[name](), tmp_path)
    assert sum(len(figure["texts"]) for figure in answer["figures"]) > 20
    assert clashes(answer) == []
    assert escaped(answer) == []
    assert answer["page"] <= answer["width"]
    assert answer["cut"] == []


def test_texts_that_do_lie_on_each_other_are_noticed(tmp_path: Path) -> None:
    page = report_html(samples.without_sensors()).replace('font-size="12"', 'font-size="70"')
    answer = laid_out(page, tmp_path)
    assert clashes(answer) != []
    assert escaped(answer) != []


def test_the_widest_report_fits_a_telephone_by_scrolling_its_tables_alone(tmp_path: Path) -> None:
    answer = laid_out(report_html(samples.failing()), tmp_path, width=500)
    assert answer["width"] <= 500
    assert answer["page"] <= answer["width"]
    assert answer["cut"] == []


def test_a_dark_screen_gets_light_ink_on_dark_paper(tmp_path: Path) -> None:
    page = report_html(samples.without_sensors())
    light = laid_out(page, tmp_path)
    dark = laid_out(page, tmp_path, dark=True)
    assert brightness(light["paper"]) > 240
    assert brightness(light["ink"]) < 50
    assert brightness(dark["paper"]) < 50
    assert brightness(dark["ink"]) > 200


def test_a_policy_that_blocks_styles_leaves_a_page_that_can_be_read(tmp_path: Path) -> None:
    """Build servers forbid inline styles; the script that asks is let through for the test."""
    policy = (
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; script-src 'unsafe-inline'\">"
    )
    page = report_html(samples.passing())
    styled = laid_out(page, tmp_path)
    blocked = laid_out(page.replace("<head>", f"<head>{policy}", 1), tmp_path)
    assert blocked["paper"] != styled["paper"], "the policy must have taken the styles away"
    assert blocked["words"] > 0.9 * styled["words"]
    assert min(float(gap.removesuffix("px")) for gap in blocked["gap"]) >= 4
    assert clashes(blocked) == []
    assert escaped(blocked) == []
