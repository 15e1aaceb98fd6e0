"""`compare`: before against after, with an interval, a decision, and what would decide it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import AsJson, RunsDir, kept_runs
from harness.cli.plain import say, say_json

if TYPE_CHECKING:
    from harness.compared import Comparison, FactChange, WorkloadComparison
    from harness.errors import ComparisonRefused
    from harness.judgement.sides import Side
    from harness.looks import Looks

Sides = "Run, runs separated by commas, or a CSV file: workload,value,unit,better[,boot]."
Before = Annotated[str, typer.Argument(metavar="BEFORE", help=Sides)]
After = Annotated[str, typer.Argument(metavar="AFTER", help=Sides)]
Confidence = Annotated[float, typer.Option("--confidence", help="Confidence of the intervals.")]
Margin = Annotated[
    float, typer.Option("--margin", metavar="PERCENT", help="Smaller changes are equivalent.")
]
BetweenBoot = Annotated[
    float,
    typer.Option(
        "--between-boot",
        metavar="PERCENT",
        help="Assumed spread between boots where three earlier runs have not measured it.",
    ),
]
PlannedLooks = Annotated[
    int | None,
    typer.Option(
        "--planned-looks",
        help="How often you mean to look before you decide; the error is spent over the looks.",
        show_default=False,
    ),
]
Method = Annotated[
    str, typer.Option("--method", help="welch (log scale) or fieller (ratio of plain means).")
]
OtherMachine = Annotated[
    bool, typer.Option("--other-machine", help="Allow two machines; the ratio compares machines.")
]
Html = Annotated[
    Path | None, typer.Option("--html", help="Write a page here too.", show_default=False)
]


def compare(
    before: Before,
    after: After,
    runs_dir: RunsDir = None,
    confidence: Confidence = 0.95,
    margin: Margin = 1.0,
    between_boot: BetweenBoot = 0.3,
    planned_looks: PlannedLooks = None,
    method: Method = "welch",
    other_machine: OtherMachine = False,
    html: Html = None,
    as_json: AsJson = False,
) -> None:
    """Is AFTER faster, slower, equivalent, or not decided yet? Exit 0, 1 or 3.

    Going on with a comparison (more trials or runs on a side) counts as a further look, and is
    paid for. One BEFORE against another fresh AFTER is a new comparison each time, and not
    counted: of many such tries, some will differ by chance alone.
    """
    from harness.judgement.comparison import CompareOptions, compare_sides
    from harness.looks import count_look

    _check(confidence, margin, between_boot, method, planned_looks)
    folder = kept_runs(runs_dir)
    first, second = read_side(before, folder), read_side(after, folder)
    _refuse_unlike(first, second, other_machine, as_json)
    looks = count_look(folder, first, second, planned_looks)
    options = CompareOptions(
        confidence=confidence,
        margin_percent=margin,
        between_boot_percent=between_boot,
        looks=looks.number,
        planned_looks=looks.planned,
        information=looks.information,
        method=method,
        other_machine=other_machine,
    )
    found = _with_forgotten(compare_sides(first, second, options).comparison, looks)
    _write_page(html, found, first, second)
    _print(found, first, second, as_json)
    raise typer.Exit(int(exit_code(found)))


def _check(
    confidence: float, margin: float, between_boot: float, method: str, planned_looks: int | None
) -> None:
    from harness.errors import UsageError

    if not 0.5 <= confidence < 1:
        raise UsageError(f"--confidence received {confidence:g}: needs 0.5 to below 1, e.g. 0.95")
    if not 0 < margin <= 50:
        raise UsageError(f"--margin received {margin:g}: needs above 0 to 50 percent")
    if not 0 <= between_boot <= 20:
        raise UsageError(f"--between-boot received {between_boot:g}: needs 0 to 20 percent")
    if method not in {"welch", "fieller"}:
        raise UsageError(f"--method received {method!r}: needs welch or fieller")
    if planned_looks is not None and not 1 <= planned_looks <= 100:
        raise UsageError(f"--planned-looks received {planned_looks}: needs 1 to 100")


def _refuse_unlike(first: Side, second: Side, other_machine: bool, as_json: bool) -> None:
    """Whoever is refused sees first everything that differs. Raises ComparisonRefused."""
    from harness.errors import ComparisonRefused
    from harness.judgement.comparison import refuse_unlike

    try:
        refuse_unlike(first, second, other_machine)
    except ComparisonRefused as refusal:
        if as_json:
            say_json(refusal_document(refusal))
        else:
            _print_sides(first, second, refusal.changes, refusal.warnings)
        raise


def refusal_document(refusal: ComparisonRefused) -> dict[str, Any]:
    """What `compare --json` prints when it compares nothing: why, and all that differs."""
    return {
        "refused": str(refusal),
        "changes": [asdict(change) for change in refusal.changes],
        "warnings": list(refusal.warnings),
    }


def _with_forgotten(found: Comparison, looks: Looks) -> Comparison:
    """Warn where looks are lost, or this one could not be written down for the next to count."""
    from dataclasses import replace

    told = [looks.lost] if looks.lost else []
    if looks.forgotten:
        told.append(
            "this look could not be counted, a later one must be judged as one more: "
            f"{looks.forgotten}"
        )
    return replace(found, warnings=(*found.warnings, *told))


def read_side(text: str, runs_dir: Path) -> Side:
    """One side: a CSV file, or runs separated by commas."""
    from harness.judgement.sides import side_of
    from harness.judgement.typed_values import read_typed_values
    from harness.record.listing import resolve_run
    from harness.record.reader import read_run

    if text.lower().endswith(".csv"):
        return read_typed_values(Path(text))
    names = [name.strip() for name in text.split(",") if name.strip()]
    return side_of([read_run(resolve_run(runs_dir, name)) for name in names or [text]])


def _write_page(html: Path | None, found: Comparison, first: Side, second: Side) -> None:
    if html is not None:
        from reports.write import write_comparison

        write_comparison(html, found, before=first.source, after=second.source)


def exit_code(found: Comparison) -> int:
    """0 no workload slower, 1 some slower, 3 some undecided and none slower."""
    from harness.outcome import ExitCode

    decisions = {item.decision for item in found.workloads}
    if "slower" in decisions:
        return ExitCode.FAIL
    return ExitCode.INCONCLUSIVE if "undecided" in decisions else ExitCode.PASS


def comparison_document(found: Comparison) -> dict[str, Any]:
    """The comparison with exactly the keys that ``compare --json`` promises, and the reasons."""
    return {
        "confidence": found.confidence,
        "margin_percent": found.margin_percent,
        "scope": found.scope,
        "looks": found.looks,
        "workloads": [asdict(item) for item in found.workloads],
        "overall": dict(found.overall),
        "changes": [asdict(item) for item in found.changes],
        "warnings": list(found.warnings),
        "assumptions": list(found.assumptions),
    }


def _print(found: Comparison, first: Side, second: Side, as_json: bool) -> None:
    if as_json:
        say_json(comparison_document(found))
        return
    _print_sides(first, second, found.changes, found.warnings)
    say(
        f"{100 * found.confidence:g} % intervals, margin {found.margin_percent:g} %, "
        f"{found.scope}{_look(found.looks)}"
    )
    for item in found.workloads:
        say(f"  {item.name:<24} {_line(item)}")
    for assumption in found.assumptions:
        say(f"  assumed: {assumption}")


def _look(number: int) -> str:
    """A further look is told, since its limits are wider for it."""
    return f"; look {number} at this comparison, paid for by wider limits" if number > 1 else ""


def _print_sides(
    first: Side, second: Side, changes: Sequence[FactChange], warnings: Sequence[str]
) -> None:
    from reports.comparison_html import changed_rows

    say(f"before: {first.source}")
    say(f"after:  {second.source}")
    for name, old, new in changed_rows(changes):
        say(f"  changed: {name}: {old} -> {new}")
    for warning in warnings:
        say(f"  warning: {warning}")


def _line(item: WorkloadComparison) -> str:
    """Decision, change of speed (a time that fell is speed that rose), both means, what is open."""
    from harness.units import change
    from reports.comparison_html import means_text

    means = means_text(item, " -> ", "")
    if item.ratio is None:
        return "; ".join(filter(None, (f"undecided: {item.why}", means)))
    shown = f"{item.decision}: speed {change(item.ratio)}"
    if item.low is not None and item.high is not None:
        shown += f" ({change(item.low)} to {change(item.high)})"
    else:
        shown += ", no interval"
    return "; ".join(filter(None, (shown, means, _open(item))))


def _open(item: WorkloadComparison) -> str:
    """What would decide an undecided one, else why nothing is promised."""
    if item.trials_needed is None:
        return item.why if item.decision == "undecided" else ""
    boots = item.boots_needed
    over = f" over {boots} boot{'s' if boots > 1 else ''}" if boots else ""
    return f"{item.trials_needed} trials{over} a side would decide it"
