"""Colours: every text on every background, light, dark and printed, by WCAG 2.2's formula."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import pytest

TEMPLATES = Path(__file__).parents[2] / "reports" / "templates"
TEXTS = ("ink", "muted", "accent", "pass", "fail", "inconclusive", "not-tested")
BACKGROUNDS = ("paper", "tint")
#: Success criteria 1.4.3 (text) and 1.4.11 (graphics) of WCAG 2.2, level AA.
TEXT_RATIO, GRAPHIC_RATIO = 4.5, 3.0


def palettes() -> dict[str, dict[str, str]]:
    """Custom properties of the three `:root` blocks: each one changes what it names."""
    blocks = re.findall(r":root \{(.*?)\}", (TEMPLATES / "style.css").read_text(), re.S)
    found = [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block)) for block in blocks]
    assert len(found) == 3
    light, dark, printed = found
    return {"light": light, "dark": {**light, **dark}, "print": {**light, **printed}}


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_values_it_is_known_for() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_every_text_can_be_read_on_every_background(scheme: str) -> None:
    colours = palettes()[scheme]
    for text, background in product(TEXTS, BACKGROUNDS):
        assert contrast(colours[text], colours[background]) >= TEXT_RATIO, (text, background)


def test_the_colours_of_figures_work_on_white_and_on_a_browsers_dark_canvas() -> None:
    """Without a style sheet the canvas is the browser's own: white, or nearly black."""
    template = (TEMPLATES / "_figures.html.j2").read_text()
    colours = set(re.findall(r"#[0-9a-f]{6}", template))
    assert colours == {"#2f7199", "#c0392b"}
    for colour, canvas in product(colours, ("#ffffff", "#121212")):
        assert contrast(colour, canvas) >= GRAPHIC_RATIO, (colour, canvas)


def test_text_in_figures_takes_the_pages_own_ink() -> None:
    template = (TEMPLATES / "_figures.html.j2").read_text()
    fills = re.findall(r'<(?:text|tspan)[^>]*? fill="([^"]+)"', template)
    assert len(fills) > 10
    assert set(fills) == {"currentColor"}
