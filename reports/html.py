"""report.html: the run on one self-contained page, without scripts.

The page stays readable where a build server's content security policy takes its styles away:
tables are tables, figures are inline SVG whose colours are presentation attributes, and every
number in a figure also stands in a table beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness import units
from harness.outcome import Verdict
from harness.results import (
    ChannelSummary,
    CriterionResult,
    LoadSpan,
    RunResult,
    Statement,
    WorkloadResult,
)
from reports.disturbed import disturbed_text
from reports.environment import render
from reports.fact_groups import FactGroup, fact_groups
from reports.gauge import Gauge, gauge
from reports.load_changes import LoadChange, load_changes
from reports.sensor_plot import Spark, Timeline, last_second, spark, timeline
from reports.text import one_line
from reports.trial_plot import OrderPlot, Overview, order_plot, overview
from reports.wording import Moment, change_rows, fact_text, moment_text, plural, value_text

#: Tables longer than this are folded; the fold's line says what is in it.
FOLD_ROWS = 12
#: Rows of one table; what is left out is counted under it.
MOST_ROWS = 1_000
_CPU_TEMPERATURE = "cpu_temperature"


@dataclass(frozen=True)
class Glance:
    """One figure of the strip under the verdict."""

    label: str
    value: str
    note: str = ""


@dataclass(frozen=True)
class Setting:
    """What the operator declares, and whether the machine confirms it."""

    name: str
    value: str
    is_verified: bool


@dataclass(frozen=True)
class CriteriaRows:
    """Criteria with their small figures: those in plain sight, and those that are folded."""

    open: tuple[tuple[CriterionResult, Gauge | None], ...]
    folded: tuple[tuple[CriterionResult, Gauge | None], ...]


@dataclass(frozen=True)
class StatementGroup:
    """What can be said on one topic; an assumption that several statements share stands once."""

    topic: str
    texts: tuple[str, ...]
    assumptions: tuple[str, ...]


@dataclass(frozen=True)
class Page:
    """Everything the template needs beside the result itself."""

    headline: str
    started: Moment
    ended: Moment
    #: The confidence of the workloads' intervals, in words.
    confidence: str
    glances: tuple[Glance, ...]
    criteria: CriteriaRows
    settings: tuple[Setting, ...]
    facts: tuple[FactGroup, ...]
    #: That no trial behind a mean was undisturbed, in a sentence; may be empty.
    disturbed: str
    #: (name, before, after) of everything that differs from the baseline.
    changes: tuple[tuple[str, str, str], ...]
    statements: tuple[StatementGroup, ...]
    overview: Overview | None
    #: `narrow_...`: the same figure for a telephone's screen.
    narrow_overview: Overview | None
    plots: tuple[OrderPlot | None, ...]
    narrow_plots: tuple[OrderPlot | None, ...]
    timeline: Timeline | None
    narrow_timeline: Timeline | None
    sparks: tuple[Spark | None, ...]
    #: Each load against the baseline.
    loads_changed: tuple[LoadChange, ...]
    #: Names that no sentence's first letter changes.
    load_names: tuple[str, ...]

    @property
    def unverified(self) -> tuple[Setting, ...]:
        """The settings that nothing on the machine confirms."""
        return tuple(setting for setting in self.settings if not setting.is_verified)


def report_html(result: RunResult) -> str:
    """The page. The same result gives the same bytes."""
    return render(
        "report.html.j2", run=result, page=page_of(result), fold_rows=FOLD_ROWS, most_rows=MOST_ROWS
    )


def page_of(result: RunResult) -> Page:
    """What the page shows beside the result: figures, groups, and the strip of numbers."""
    end = last_second(result)
    return Page(
        headline=headline(result),
        started=moment_text(result.started_utc, result.utc_offset_minutes),
        ended=_ended(result),
        confidence=_confidence(result.workloads),
        glances=tuple(_glances(result)),
        criteria=_criteria_rows(result.criteria),
        settings=tuple(_settings(result)),
        facts=tuple(fact_groups(result.facts)),
        disturbed=disturbed_text(result.workloads),
        changes=change_rows(result.changes),
        statements=tuple(_statement_groups(result.statements)),
        overview=overview(result.workloads),
        narrow_overview=overview(result.workloads, narrow=True),
        plots=tuple(order_plot(item) for item in result.workloads),
        narrow_plots=tuple(order_plot(item, narrow=True) for item in result.workloads),
        timeline=timeline(result),
        narrow_timeline=timeline(result, narrow=True),
        sparks=tuple(spark(channel, end) for channel in result.channels),
        loads_changed=load_changes(result),
        load_names=tuple(item.name for item in result.workloads),
    )


def headline(result: RunResult) -> str:
    """The verdict in the words of the page's largest line."""
    words = {
        Verdict.PASS: "Pass",
        Verdict.FAIL: "Fail",
        Verdict.INCONCLUSIVE: "Inconclusive",
        Verdict.NOT_TESTED: "Not tested",
        Verdict.ERROR: "Error",
    }
    return words[result.verdict]


def busy_seconds(spans: Iterable[LoadSpan]) -> float:
    """Time under load; stretches that overlap count once."""
    total, until = 0.0, -math.inf
    for span in sorted(spans, key=lambda item: item.start_seconds):
        start = max(span.start_seconds, until)
        total += max(span.end_seconds - start, 0.0)
        until = max(until, span.end_seconds)
    return total


def _confidence(workloads: Sequence[WorkloadResult]) -> str:
    told = (item.confidence for item in workloads if item.low is not None)
    levels = sorted({level for level in told if level is not None})
    return " and ".join(units.stated(100 * level, "%") for level in levels)


def _ended(result: RunResult) -> Moment:
    if result.ended_utc is None:
        return Moment("no end was recorded", "")
    return moment_text(result.ended_utc, result.utc_offset_minutes)


def _criteria_rows(criteria: Sequence[CriterionResult]) -> CriteriaRows:
    """Of a long list only what did not pass stays in sight."""
    rows = [(item, gauge(item)) for item in criteria]
    if len(rows) <= FOLD_ROWS:
        return CriteriaRows(tuple(rows), ())
    passed = tuple(row for row in rows if row[0].verdict is Verdict.PASS)
    return CriteriaRows(tuple(row for row in rows if row not in passed), passed)


def _glances(result: RunResult) -> Iterator[Glance]:
    yield _criteria_glance(result)
    yield Glance("Failures under load", units.count(len(result.failures)))
    yield _verified_glance(result.workloads)
    trials = sum(item.trials for item in result.workloads)
    boots = max((item.boots for item in result.workloads), default=0)
    yield Glance("Trials", units.count(trials), f"over {plural(boots, 'boot')}" if trials else "")
    yield _load_glance(result)
    yield _temperature_glance(result.channels)


def _criteria_glance(result: RunResult) -> Glance:
    required = [item for item in result.criteria if item.required]
    passed = sum(item.verdict is Verdict.PASS for item in required)
    if not required:
        return Glance("Required criteria", "none", "nothing was required, so nothing passes")
    optional = len(result.criteria) - len(required)
    failed = sum(item.verdict is Verdict.FAIL for item in result.criteria if not item.required)
    more = f", {failed} of them failed" if failed else ""
    note = f"and {optional} optional{more}" if optional else ""
    return Glance("Required criteria", f"{passed} of {len(required)} pass", note)


def _verified_glance(workloads: Sequence[WorkloadResult]) -> Glance:
    verified = sum(item.verified for item in workloads)
    if not verified:
        return Glance("Verified results", "none", "no result was checked")
    return Glance("Verified results", units.count(verified), "each one checked")


def _load_glance(result: RunResult) -> Glance:
    if not result.load_spans:
        return Glance("Under load", "never", "no stretch of load was recorded")
    spent = units.duration(busy_seconds(result.load_spans))
    if result.duration_seconds is None:
        return Glance("Under load", spent, "total length not known")
    return Glance("Under load", spent, f"of {units.duration(result.duration_seconds)}")


def _temperature_glance(channels: Sequence[ChannelSummary]) -> Glance:
    label = "Highest CPU temperature"
    cpu = [channel for channel in channels if channel.role == _CPU_TEMPERATURE]
    read = [channel for channel in cpu if channel.maximum is not None]
    if read:
        hottest = max(read, key=lambda channel: channel.maximum or -math.inf)
        value = value_text(hottest.maximum or 0.0, hottest.unit)
        return Glance(label, value, one_line(hottest.name, limit=60))
    reasons = [channel.why for channel in cpu if channel.why]
    return Glance(label, "not measured", reasons[0] if reasons else "no channel has this role")


def _settings(result: RunResult) -> Iterator[Setting]:
    for key, value in result.settings.items():
        name, text = fact_text(str(key), value)
        yield Setting(name, text, key not in result.unverified_settings)


def _statement_groups(statements: Iterable[Statement]) -> Iterator[StatementGroup]:
    found: dict[str, list[Statement]] = {}
    for item in statements:
        found.setdefault(item.topic, []).append(item)
    for topic, items in found.items():
        assumptions = dict.fromkeys(item.assumptions for item in items if item.assumptions)
        yield StatementGroup(topic, tuple(item.text for item in items), tuple(assumptions))
