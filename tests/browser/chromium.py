"""A headless browser for tests, where the machine has one."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from html import escape, unescape
from pathlib import Path
from typing import Any

import pytest

_NAMES = ("chromium", "chromium-browser", "google-chrome")
#: Narrower windows are made this wide.
_NARROWEST = 500
_QUIET = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars",
)  # fmt: skip
#: What the page is asked once it is laid out. Added to a copy: reports themselves have no script.
_QUESTION = """
<script>
const box = (node) => { const b = node.getBoundingClientRect();
  return [b.left, b.top, b.right, b.bottom]; };
const seen = (node) => node.getClientRects().length > 0;
const texts = [...document.querySelectorAll("svg")].filter(seen).map((svg) => ({
  frame: box(svg),
  texts: [...svg.querySelectorAll("text")].map((t) => ({ text: t.firstChild.textContent,
    box: box(t) })) }));
const cut = [...document.querySelectorAll("h1, h2, h3, p, dt, dd, li, summary")].filter(seen)
  .filter((node) => node.scrollWidth > node.clientWidth + 1).map((node) => node.textContent);
const scrolled = [...document.querySelectorAll(".wide, figure")].filter(seen)
  .filter((node) => node.scrollWidth > node.clientWidth + 1)
  .map((node) => getComputedStyle(node).overflowX);
const cells = [...document.querySelectorAll(".cards tbody th, .cards tbody td")].filter(seen)
  .map((node) => ({ text: node.textContent.trim(), right: box(node)[2],
    cut: node.scrollWidth > node.clientWidth + 1, label: node.dataset.label || "",
    shown: getComputedStyle(node, "::before").content }))
  .filter((cell) => cell.text);
const shades = [...new Set([...document.querySelectorAll(".wide, figure")]
  .map((node) => getComputedStyle(node).backgroundImage))];
const squeezed = [...document.querySelectorAll("td")].filter(seen)
  .filter((node) => node.textContent.trim().length > 40)
  .filter((node) => box(node)[2] - box(node)[0] < 90).map((node) => node.textContent);
const answer = { squeezed: squeezed, shades: shades, scrolled: scrolled, cells: cells,
  width: window.innerWidth, page: document.documentElement.scrollWidth,
  height: document.documentElement.scrollHeight, figures: texts, cut: cut,
  paper: getComputedStyle(document.body).backgroundColor,
  ink: getComputedStyle(document.body).color,
  gap: [...document.querySelectorAll("td")].map((td) => getComputedStyle(td).paddingRight),
  words: document.body.innerText.length };
parent.document.documentElement.setAttribute("data-answer", JSON.stringify(answer));
</script>
"""


def browser() -> str:
    """Path of the browser; skips the test with the reason where there is none."""
    for name in _NAMES:
        found = shutil.which(name)
        if found:
            return found
    pytest.skip(f"no headless browser on this machine (looked for {', '.join(_NAMES)})")


def laid_out(page: str, folder: Path, *, width: int = 1280, dark: bool = False) -> dict[str, Any]:
    """What a browser says of `page` after laying it out in a window `width` pixels wide."""
    # innerText follows what is shown, so folds are opened: everything must fit when it is.
    opened = page.replace("<details", "<details open")
    asked = opened.replace("</body>", f"{_QUESTION}</body>")
    document = run(asked if width >= _NARROWEST else framed(asked, width), folder, width, dark)
    found = re.search(r'data-answer="([^"]*)"', document)
    assert found, "the page was not laid out"
    answer: dict[str, Any] = json.loads(unescape(found[1]))
    return answer


def framed(page: str, width: int) -> str:
    """`page` in a frame: the browser's own window cannot be as narrow as a telephone's."""
    style = f"border: 0; width: {width}px; height: 2000px"
    return f'<!DOCTYPE html><body><iframe style="{style}" srcdoc="{escape(page)}"></iframe></body>'


def run(page: str, folder: Path, width: int, dark: bool) -> str:
    """The document that the browser makes of `page`, as text."""
    path = folder / "page.html"
    path.write_text(page, encoding="utf-8")
    scheme = ["--blink-settings=preferredColorScheme=0"] if dark else []
    finished = subprocess.run(
        [
            browser(), *_QUIET, *scheme, f"--user-data-dir={folder / 'profile'}",
            f"--window-size={width},2000", "--dump-dom", path.as_uri(),
        ],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    return finished.stdout
