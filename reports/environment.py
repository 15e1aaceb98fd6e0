"""The one template environment: autoescaping always on, missing names are errors."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from harness import units
from reports import wording
from reports.figures import px
from reports.text import one_line, shortened, visible

_FILTERS: dict[str, Callable[..., Any]] = {
    "one_line": one_line,
    "visible": visible,
    "prose": wording.prose,
    "plural": wording.plural,
    "spaced": wording.spaced,
    "spaced_names": wording.spaced_names,
    "shortened": shortened,
    "px": px,
    "duration": units.duration,
    "elapsed": units.elapsed,
    "count": units.count,
    "percent": units.percent,
    "symbol": units.symbol_of,
    "value": wording.value_text,
    "measured": wording.criterion_measured,
    "limit": wording.criterion_limit,
    "mean": wording.workload_mean,
    "mean_all": wording.workload_mean_all,
    "failure": wording.failure_text,
    "stop": wording.stop_text,
    "moment": wording.moment_text,
    "capitalised": wording.capitalised,
    "sentence": wording.sentence,
    "fixed4": partial(units.fixed, places=4),
    "readings": wording.reading_rows,
    "basis": wording.basis_text,
    "lane_changes": wording.lane_changes,
}
_FOLDER = Path(__file__).parent / "templates"


@cache
def environment() -> Environment:
    """Templates from the package's own folder only; every value in them is escaped.

    Whatever a template prints passes through `finalize`, so that no control or
    direction-changing character can reach a page through a forgotten filter.
    """
    made = Environment(
        loader=FileSystemLoader(_FOLDER, encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters.update(_FILTERS)
    return made


def render(template: str, **values: Any) -> str:
    """The text of `template` with `values`; the same values give the same bytes."""
    return environment().get_template(template).render(**values)


def _finalize(value: Any) -> Any:
    # Markup is our own templates' output and already clean.
    return value if hasattr(value, "__html__") else visible(value)
