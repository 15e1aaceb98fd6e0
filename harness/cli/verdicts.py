"""A judged run on a terminal: verdict, criteria, workloads, where the report is."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator

from harness.cli.plain import visible
from harness.finishing import Concluded
from harness.outcome import Ending, Verdict
from harness.results import CriterionResult, Failure, RunResult, WorkloadResult

_STYLES = {
    Verdict.PASS: "bold green",
    Verdict.FAIL: "bold red",
    Verdict.INCONCLUSIVE: "bold yellow",
    Verdict.NOT_TESTED: "dim",
    Verdict.ERROR: "bold magenta",
}


#: How a changed setting is named among what differs from the baseline.
SETTING_PREFIX = "setting "


def print_verdict(concluded: Concluded, judged_by: str = "") -> None:
    """Print everything that matters on one screen, plain where stdout is no terminal.

    `judged_by` names the profile whose criteria were used, where it is not the run's own.
    """
    from rich.text import Text

    from harness.cli.tables import make_console, show_hanging

    result = concluded.result
    console = make_console()

    def tell(head: str, text: str, style: str = "") -> None:
        if console.is_terminal:
            show_hanging(console, visible(head), visible(text), style)
        else:
            console.print(visible(head + text), markup=False, soft_wrap=True)

    verdict = Text(str(result.verdict).upper(), style=_STYLES[result.verdict])
    why = visible(f"  {result.profile_name}: {result.why}")
    console.print(Text("\n").append(verdict).append(why), soft_wrap=not console.is_terminal)
    for note in _notes(result):
        tell("  note          ", note)
    for criterion in result.criteria:
        tell(*_criterion_line(criterion))
    for line in _baseline_lines(result):
        tell(*line)
    for line in _workload_lines(result):
        tell(*line)
    for failure in result.failures[:10]:
        tell("  ", failure_line(failure).strip(), "red")
    if result.ending in (Ending.INTERRUPTED, Ending.AWAITING_BOOT):
        command = f"rigproof resume {shlex.quote(str(concluded.folder))}"
        console.print(visible(f"to carry on: {command}"), markup=False, soft_wrap=True)
    under = f", judged by the criteria of {judged_by}" if judged_by else ""
    report = visible(f"report{under}: {concluded.folder / 'report.html'}")
    console.print(report, markup=False, soft_wrap=True)


def _notes(result: RunResult) -> Iterator[str]:
    """What the verdict must not be read without: the report's banners, and disturbance."""
    from reports.disturbed import disturbed_text

    yield from result.banners
    yield from _setting_warnings(result)
    disturbed = disturbed_text(result.workloads)
    if disturbed:
        yield disturbed


def _setting_warnings(result: RunResult) -> Iterator[str]:
    """A comparison of runs under other settings is told so, each setting by itself."""
    from reports.wording import fact_text

    def stated(value: object, none: str) -> str:
        return none if value is None else f"{name}={fact_text(name, value)[1]}"

    for item in result.changes:
        if item.fact.startswith(SETTING_PREFIX):
            name = item.fact.removeprefix(SETTING_PREFIX)
            yield (
                f"warning: the baseline declared {stated(item.before, f'no {name}')}; "
                f"this run declares {stated(item.after, 'none')}"
            )


def _baseline_lines(result: RunResult) -> Iterator[tuple[str, str]]:
    """Each load against the baseline, whatever the criteria name."""
    from reports.load_changes import load_changes

    changed = load_changes(result)
    if changed:
        yield "  against the baseline ", ", ".join(result.baseline_runs)
    for item in changed:
        why = f" ({item.why})" if item.why else ""
        yield (
            f"  {item.name:<24} ",
            f"before {item.before}, after {item.after}, change {item.change}: {item.decision}{why}",
        )


def _criterion_line(item: CriterionResult) -> tuple[str, str]:
    optional = "" if item.required else " (optional)"
    return f"  {item.verdict:<13} ", f"{item.name}{optional}: {item.why}"


def _workload_lines(result: RunResult) -> Iterator[tuple[str, str]]:
    for item in result.workloads:
        if item.trials or item.mean is not None:
            yield f"  {item.name:<24} ", shown_value(item)


def shown_value(item: WorkloadResult) -> str:
    """A workload's mean with its interval, or why there is none."""
    from harness.units import interval, percent, quantity

    if item.mean is None:
        return f"not tested: {item.reason or 'no valid trial'}"
    if item.low is None or item.high is None:
        return f"{quantity(item.mean, item.unit)} (no interval: {item.reason})"
    spread = "" if item.cv_percent is None else f", spread (CV) {percent(item.cv_percent)}"
    shown = interval(item.mean, item.low, item.high, item.unit)
    return f"{shown} from {_trials_behind(item)}{spread}"


def _trials_behind(item: WorkloadResult) -> str:
    """How many trials the mean is made of, and why others are not in it."""
    states = Counter(point.state for point in item.points)
    left_out = {"warm-up": states["warm-up"]} if states["warm-up"] else {}
    if item.rejected:
        left_out["rejected"] = item.rejected
    kept = item.trials - sum(left_out.values())
    if not left_out:
        return f"{item.trials} trial{'' if item.trials == 1 else 's'}"
    why = ", ".join(f"{number} {state}" for state, number in left_out.items())
    return f"{kept} of {item.trials} trials ({why})"


def failure_line(failure: Failure) -> str:
    """One failure: what, where, when."""
    from harness.units import elapsed

    place = ""
    if failure.lane is not None:
        cpu = "not pinned" if failure.core is None else f"CPU {failure.core}"
        place = f" on lane {failure.lane} ({cpu})"
    what = f" in {failure.workload}" if failure.workload else ""
    when = elapsed(failure.at_seconds)
    return visible(f"  {failure.kind}{what}{place} at {when}: {failure.detail}")
