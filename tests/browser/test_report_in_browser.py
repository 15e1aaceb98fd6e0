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
from tests.reports.test_disturbed import DELAY, SWITCHES, run_with

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


TELEPHONE_PAGES = {
    **PAGES,
    "disturbed": lambda: report_html(run_with(DELAY, SWITCHES)),
    "hostile": lambda: report_html(samples.hostile()),
    "empty": lambda: report_html(samples.judged(load_spans=(), events=(), facts={}, settings={})),
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


TELEPHONE_PIXELS = 420


@pytest.mark.parametrize("name", [*PAGES, "hostile", "empty"])
def test_on_a_telephone_every_cell_of_the_main_tables_can_be_read_without_scrolling(
    name: str, tmp_path: Path
) -> None:
    answer = laid_out(TELEPHONE_PAGES[name](), tmp_path, width=TELEPHONE_PIXELS)
    assert answer["width"] == TELEPHONE_PIXELS
    assert answer["page"] <= answer["width"]
    assert answer["cut"] == []
    assert [cell for cell in answer["cells"] if cell["cut"] or cell["right"] > 421] == []
    labelled = [cell for cell in answer["cells"] if cell["label"]]
    assert len(labelled) > 20 or name == "empty"
    assert all(cell["shown"] == f'"{cell["label"]}"' for cell in labelled)


#: Between a telephone and a large screen: cards of two columns, figures for a sheet.
TABLET_PIXELS = 800
#: Units of any length and numbers without a scale may crowd a figure; no honest profile has them.
HONEST = [name for name in TELEPHONE_PAGES if name != "hostile"]


@pytest.mark.parametrize("name", HONEST)
def test_on_a_telephone_figures_have_their_own_shape_and_no_text_is_cut(
    name: str, tmp_path: Path
) -> None:
    answer = laid_out(TELEPHONE_PAGES[name](), tmp_path, width=TELEPHONE_PIXELS)
    framed_texts = [figure for figure in answer["figures"] if figure["texts"]]
    assert framed_texts or name == "empty"
    assert clashes(answer) == []
    assert escaped(answer) == []
    assert all(figure["frame"][2] <= TELEPHONE_PIXELS for figure in framed_texts)


@pytest.mark.parametrize("name", HONEST)
@pytest.mark.parametrize("width", [TELEPHONE_PIXELS, TABLET_PIXELS])
def test_on_a_small_screen_what_is_still_too_wide_scrolls_in_its_own_box(
    name: str, width: int, tmp_path: Path
) -> None:
    answer = laid_out(TELEPHONE_PAGES[name](), tmp_path, width=width)
    assert answer["page"] <= answer["width"] == width
    assert set(answer["scrolled"]) <= {"auto"}
    assert answer["squeezed"] == [], "a sentence in a column of a word's width cannot be read"


@pytest.mark.parametrize("name", ["failing", "comparison"])
def test_of_the_two_shapes_of_a_figure_one_is_seen(name: str, tmp_path: Path) -> None:
    """Where a policy takes the styles away it is the one for a sheet."""
    page = PAGES[name]()
    titles = re.findall(r'aria-labelledby="[a-z0-9-]+-title', page)
    assert titles
    plain = re.sub("<style>.*?</style>", "", page, flags=re.S)
    small, large, unstyled = (
        figures_seen(laid_out(text, tmp_path, width=width))
        for text, width in ((page, TELEPHONE_PIXELS), (page, 1280), (plain, 1280))
    )
    assert small == large == unstyled == len(titles) // 2


def figures_seen(answer: dict[str, Any]) -> int:
    return sum(bool(figure["texts"]) for figure in answer["figures"])


def test_on_a_large_screen_the_main_tables_are_tables_and_nothing_scrolls(tmp_path: Path) -> None:
    answer = laid_out(report_html(samples.failing()), tmp_path)
    assert answer["scrolled"] == []
    assert {cell["shown"] for cell in answer["cells"]} == {"none"}


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


#: A4 less the page's own margins, at the 96 pixels an inch of style sheets.
PAPER_PIXELS = round((210 - 13 - 13) / 25.4 * 96)


@pytest.mark.parametrize("name", ["failing", "wide", "comparison"])
def test_on_paper_tables_are_tables_without_shade_and_none_is_wider_than_the_sheet(
    name: str, tmp_path: Path
) -> None:
    """The rules for paper are given to the screen, where they can be asked about."""
    page = PAGES[name]()
    assert "@media print" in page
    page, narrow = re.subn(r"@media screen and [^{]*", "@media not all ", page)
    assert narrow == 3
    page = page.replace("@media print", "@media screen")
    answer = laid_out(page, tmp_path, width=PAPER_PIXELS)
    assert answer["width"] == PAPER_PIXELS
    assert answer["page"] <= answer["width"]
    assert {cell["shown"] for cell in answer["cells"]} == {"none"}
    assert answer["shades"] == ["none"]
