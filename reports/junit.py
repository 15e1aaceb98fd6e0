"""junit.xml: one test case for each criterion, one for the guard, one for the run itself.

There is no official schema. The document keeps to what the published ones have in common: no
properties inside a test case, unique names, counts that agree, `system-out` for the numbers. The
outcomes follow :mod:`harness.outcome`, the only place where they are decided.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from harness.outcome import CaseOutcome, Ending, ExitCode, Verdict, case_outcome
from harness.results import ChannelSummary, CriterionResult, RunResult, WorkloadResult
from reports.disturbed import disturbed_text
from reports.environment import render
from reports.text import ELLIPSIS, one_line, visible
from reports.wording import (
    criterion_limit,
    criterion_measured,
    fact_rows,
    fact_text,
    failure_text,
    measured_text,
    stop_text,
    workload_mean,
)

#: Build servers refuse files of 30 MB and more. Escaping makes a character at most five long.
_BUDGET_CHARACTERS = 4_000_000
_NAME_CHARACTERS = 200
_MESSAGE_CHARACTERS = 500
_MOST_FAILURES = 200
_MOST_PROPERTIES = 400


@dataclass(frozen=True)
class Case:
    """One test case. `detail` explains a failure, `output` holds the numbers."""

    name: str
    classname: str
    outcome: CaseOutcome
    type: str
    message: str
    detail: str
    output: str
    seconds: str = ""


@dataclass(frozen=True)
class Suite:
    """The one test suite of a run."""

    name: str
    timestamp: str
    seconds: str
    properties: tuple[tuple[str, str], ...]
    cases: tuple[Case, ...]
    output: str
    warnings: str

    @property
    def tests(self) -> int:
        """How many cases there are."""
        return len(self.cases)

    @property
    def failures(self) -> int:
        """Cases that fail, the inconclusive ones among them."""
        return self._counted(CaseOutcome.FAILURE) + self._counted(CaseOutcome.INCONCLUSIVE)

    @property
    def errors(self) -> int:
        """Cases with an error."""
        return self._counted(CaseOutcome.ERROR)

    @property
    def skipped(self) -> int:
        """Cases that do not count."""
        return self._counted(CaseOutcome.SKIPPED)

    def _counted(self, outcome: CaseOutcome) -> int:
        return sum(case.outcome is outcome for case in self.cases)


def junit_xml(result: RunResult, *, allow_inconclusive: bool = False) -> str:
    """The XML document. `allow_inconclusive` lets undecided cases pass, and says so in them."""
    return render("junit.xml.j2", suite=suite_of(result, allow_inconclusive=allow_inconclusive))


def suite_of(result: RunResult, *, allow_inconclusive: bool = False) -> Suite:
    """The suite's content, before it becomes XML."""
    classname = f"rigproof.{one_line(result.profile_name, limit=_NAME_CHARACTERS)}"
    cases = [_criterion_case(item, allow_inconclusive) for item in result.criteria]
    cases += [_guard_case(result), _run_case(result, allow_inconclusive)]
    return Suite(
        name=classname,
        timestamp=one_line(result.started_utc).removesuffix("Z").partition(".")[0],
        seconds=_seconds(result.duration_seconds),
        properties=tuple(_properties(result)),
        cases=tuple(_uniquely_named(cases, classname)),
        output=_capped("\n".join(_numbers(result)), _BUDGET_CHARACTERS // 4),
        warnings=_capped("\n".join(_warnings(result)), _BUDGET_CHARACTERS // 16),
    )


def _warnings(result: RunResult) -> Iterator[str]:
    yield from result.banners
    disturbed = disturbed_text(result.workloads)
    if disturbed:
        yield disturbed


def _criterion_case(item: CriterionResult, allow_inconclusive: bool) -> Case:
    outcome = case_outcome(
        item.verdict, required=item.required, allow_inconclusive=allow_inconclusive
    )
    message = f"{item.verdict}: {item.why}"
    if outcome is CaseOutcome.SKIPPED:
        message = f"optional, does not count: {message}"
    return _case(item.name, outcome, message, output="\n".join(_criterion_lines(item)))


def _criterion_lines(item: CriterionResult) -> Iterator[str]:
    yield f"{item.title or item.name}: {item.verdict}"
    yield f"why: {item.why}"
    yield f"measured: {criterion_measured(item)}"
    yield f"limit: {criterion_limit(item) or 'none'}"
    if item.uncertainty:
        yield f"uncertainty: {item.uncertainty}"
    values = {"measured": item.measured, "low": item.low, "high": item.high, "limit": item.limit}
    raw = " ".join(f"{key}={value!r}" for key, value in values.items() if value is not None)
    if raw:
        yield f"values in {item.unit or 'counts'}: {raw}"


def _guard_case(result: RunResult) -> Case:
    name = "guard: no safety limit was exceeded"
    lines = "\n".join(f"{limit}: {text}" for limit, text in result.limits)
    if result.safety_stop is not None:
        text = stop_text(result.safety_stop)
        return _case(name, CaseOutcome.FAILURE, text, kind="safety_stop", output=lines)
    if not result.limits:
        reason = "not tested: no channel was guarded in this run"
        return _case(name, CaseOutcome.SKIPPED, reason)
    return _case(name, CaseOutcome.PASSED, "", output=lines)


def _run_case(result: RunResult, allow_inconclusive: bool) -> Case:
    outcome, message = _run_outcome(result)
    if outcome is CaseOutcome.INCONCLUSIVE and allow_inconclusive:
        outcome = CaseOutcome.PASSED
    output = f"verdict: {result.verdict} (exit code {int(result.exit_code)})\nwhy: {result.why}"
    case = _case("the run itself", outcome, message, detail=_failure_lines(result), output=output)
    return replace(case, seconds=_seconds(result.duration_seconds))


def _run_outcome(result: RunResult) -> tuple[CaseOutcome, str]:
    """What went wrong beside the criteria: under load, at the end, in what was asked."""
    if result.exit_code is ExitCode.ERROR:
        return CaseOutcome.ERROR, result.why
    if result.failures:
        first = failure_text(result.failures[0])
        return CaseOutcome.FAILURE, f"{len(result.failures)} under load; first: {first}"
    if result.ending is Ending.CRASHED or _fails_elsewhere(result):
        return CaseOutcome.FAILURE, result.why
    if result.damage:
        return CaseOutcome.INCONCLUSIVE, f"the record is damaged: {result.damage[0]}"
    if result.verdict is Verdict.INCONCLUSIVE and not _undecided_by_criteria(result):
        return CaseOutcome.INCONCLUSIVE, result.why
    return CaseOutcome.PASSED, ""


def _fails_elsewhere(result: RunResult) -> bool:
    """Whether the verdict is fail although neither a criterion nor the guard's case says so."""
    failed = any(item.required and item.verdict is Verdict.FAIL for item in result.criteria)
    return result.verdict is Verdict.FAIL and not failed and result.safety_stop is None


def _undecided_by_criteria(result: RunResult) -> bool:
    ended = result.ending in (Ending.COMPLETED, Ending.STOPPED_ON_FAILURE)
    undecided = (Verdict.INCONCLUSIVE, Verdict.NOT_TESTED)
    named = any(item.required and item.verdict in undecided for item in result.criteria)
    return ended and not result.partial and not result.damage and named


def _failure_lines(result: RunResult) -> str:
    lines = [failure_text(item) for item in result.failures[:_MOST_FAILURES]]
    if len(result.failures) > _MOST_FAILURES:
        lines.append(f"{ELLIPSIS} and {len(result.failures) - _MOST_FAILURES} more in the record")
    return "\n".join(lines)


def _case(
    name: str,
    outcome: CaseOutcome,
    message: str,
    *,
    kind: str = "",
    detail: str = "",
    output: str = "",
) -> Case:
    return Case(
        name=one_line(name, limit=_NAME_CHARACTERS),
        classname="",
        outcome=outcome,
        type=f"rigproof.{kind or outcome}",
        message=one_line(message, limit=_MESSAGE_CHARACTERS),
        detail=detail or message,
        output=output,
    )


def _uniquely_named(cases: Sequence[Case], classname: str) -> Iterator[Case]:
    """Cases fit to be written: some build servers keep only the first of two equal names."""
    budget = _BUDGET_CHARACTERS // (4 * len(cases))
    seen: Counter[str] = Counter()
    taken = {case.name for case in cases}
    for case in cases:
        seen[case.name] += 1
        name = case.name if seen[case.name] == 1 else _free_name(case.name, taken)
        taken.add(name)
        yield replace(
            case,
            name=name,
            classname=classname,
            detail=_capped(case.detail, budget),
            output=_capped(case.output, budget),
        )


def _free_name(name: str, taken: set[str]) -> str:
    number = 2
    while f"{name} ({number})" in taken:
        number += 1
    return f"{name} ({number})"


def _properties(result: RunResult) -> Iterator[tuple[str, str]]:
    rows = [
        ("run id", result.run_id),
        ("profile sha256", result.profile_sha256),
        ("verdict", str(result.verdict)),
        ("exit code", str(int(result.exit_code))),
        *((f"version of {name}", version) for name, version in result.versions.items()),
        *_settings(result),
        *((f"fact: {name}", text) for name, text in fact_rows(result.facts)),
    ]
    for name, text in rows[:_MOST_PROPERTIES]:
        yield one_line(name, limit=_NAME_CHARACTERS), one_line(text, limit=_MESSAGE_CHARACTERS)


def _settings(result: RunResult) -> Iterator[tuple[str, str]]:
    for key, value in result.settings.items():
        word = "declared, not verified" if key in result.unverified_settings else "declared"
        name, text = fact_text(key, value)
        yield f"{word}: {name}", text


def _numbers(result: RunResult) -> Iterator[str]:
    yield f"verdict: {result.verdict}: {result.why}"
    for workload in result.workloads:
        yield f"workload {workload.name}: {_workload_line(workload)}"
    for channel in result.channels:
        yield f"channel {channel.name}: {_channel_line(channel)}"
    for failure in result.failures[:_MOST_FAILURES]:
        yield f"failure: {failure_text(failure)}"


def _workload_line(item: WorkloadResult) -> str:
    if item.mean is None:
        return f"not measured: {item.reason or 'no reason recorded'}"
    confidence = "" if item.confidence is None else f" at {item.confidence:.0%} confidence"
    return f"{workload_mean(item)}{confidence}, {item.trials} trials, {item.rejected} rejected"


def _channel_line(item: ChannelSummary) -> str:
    if item.mean is None:
        return f"not measured: {item.why or 'no reason recorded'}"
    parts = [
        f"{word} {measured_text(value, None, None, item.unit)}"
        for word, value in (
            ("lowest", item.minimum), ("mean", item.mean), ("highest", item.maximum),
        )
    ]  # fmt: skip
    return f"{', '.join(parts)}, {item.samples} samples, {item.missing} missing"


def _capped(text: str, budget: int) -> str:
    clean = visible(text, limit=budget)
    if len(clean) <= budget:
        return clean
    return f"{clean[:budget]}{ELLIPSIS} (more characters are in the record)"


def _seconds(value: float | None) -> str:
    return "" if value is None else f"{max(value, 0.0):.3f}"
