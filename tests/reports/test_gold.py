"""Reports against gold files: whoever changes how a report looks, looks at the difference.

`RIGPROOF_REGOLD=1` writes the files anew; read the difference before you keep it.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from reports.comparison_html import comparison_html
from reports.html import report_html
from reports.junit import junit_xml
from reports.summary import summary_json
from tests.reports import comparisons, samples

GOLD = Path(__file__).parent / "golden"
REPORTS: dict[str, Callable[[], str]] = {
    "small.html": lambda: report_html(samples.small()),
    "small-junit.xml": lambda: junit_xml(samples.small()),
    "small-summary.json": lambda: summary_json(samples.small()),
    "without-sensors.html": lambda: report_html(samples.without_sensors()),
    "without-sensors-summary.json": lambda: summary_json(samples.without_sensors()),
    "safety-stop-junit.xml": lambda: junit_xml(samples.safety_stopped()),
    "comparison.html": lambda: comparison_html(
        comparisons.mixed(), before="20260313T140000Z-11aa", after="20260314T081502Z-7f3a"
    ),
}


@pytest.mark.parametrize("name", list(REPORTS))
def test_a_report_is_what_its_gold_file_says(name: str, tmp_path: Path) -> None:
    made = REPORTS[name]()
    if os.environ.get("RIGPROOF_REGOLD") == "1":
        GOLD.mkdir(exist_ok=True)
        (GOLD / name).write_bytes(made.encode("utf-8"))
    gold = (GOLD / name).read_bytes().decode("utf-8")
    (tmp_path / name).write_bytes(made.encode("utf-8"))
    changes = difflib.unified_diff(gold.splitlines(), made.splitlines(), "gold", "made", n=0)
    shown = "\n".join(line[:200] for line in list(changes)[:20])
    assert made == gold, f"kept as {tmp_path / name}; RIGPROOF_REGOLD=1 accepts it:\n{shown}"


def test_every_gold_file_is_still_compared() -> None:
    assert {path.name for path in GOLD.iterdir()} == set(REPORTS)
