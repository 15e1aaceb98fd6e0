"""`self-test`: prove the detectors on this machine by flipping bits on purpose."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from itertools import groupby
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import AsJson
from harness.cli.plain import say, say_json

if TYPE_CHECKING:
    from harness.selftest import Flipped, Report

Lane = Annotated[int, typer.Option("--lane", help="Lane (an index of the CPUs) to spoil.")]
Only = Annotated[
    list[str] | None,
    typer.Option("--workload", help="Only this workload. Repeatable.", show_default=False),
]

Each = Annotated[bool, typer.Option("--each", help="Show every flip on a line of its own.")]


def self_test(
    lane: Lane = 0, only: Only = None, each: Each = False, as_json: AsJson = False
) -> None:
    """Flip bits on purpose in one lane and show that each is caught in the right place."""
    from harness import selftest
    from harness.errors import UsageError, nearest
    from harness.machine.affinity import allowed_cpus
    from harness.outcome import ExitCode
    from workloads.registry import names

    cpus = allowed_cpus()
    if not 0 <= lane < len(cpus):
        raise UsageError(f"--lane received {lane}: this process may use lanes 0 to {len(cpus) - 1}")
    for name in only or ():
        if name not in names():
            raise UsageError(f"--workload received {name!r}: {nearest(name, names())}")
    reports: list[Report] = []
    for workload, found in groupby(
        selftest.self_test(cpus, lane, tuple(only or ())), key=lambda item: item.workload
    ):
        reports += (items := list(found))
        if not as_json:
            _print(workload, items, each)
    flips = [item for item in reports if isinstance(item, selftest.Flipped)]
    if as_json:
        say_json(_document(reports))
    else:
        say(_summary(flips))
    broken = any(isinstance(item, selftest.Untested) and item.broken for item in reports)
    proved = bool(flips) and all(item.ok for item in flips) and not broken
    raise typer.Exit(int(ExitCode.PASS if proved else ExitCode.FAIL))


def _print(workload: str, items: list[Report], each: bool) -> None:
    from harness.selftest import Flipped, Untested

    flips = [item for item in items if isinstance(item, Flipped)]
    for item in items:
        if isinstance(item, Untested):
            say(f"{workload:<22} not tested: {item.reason}")
    if flips:
        where = f"lane {flips[0].lane} (CPU {flips[0].cpu})"
        say(f"{workload:<22} {where}: {len(flips)} bits flipped, {_counted(flips)}")
    for item in flips:
        if each or not item.ok:
            what = f"{item.role}, {item.kind}"
            say(f"    {what:<28} {item.outcome}: {item.place} {item.detail if each else ''}")


def _counted(flips: list[Flipped]) -> str:
    counts = Counter(str(item.outcome) for item in flips)
    return ", ".join(f"{count} {outcome}" for outcome, count in sorted(counts.items()))


def _summary(flips: list[Flipped]) -> str:
    if not flips:
        return "nothing could be tested: see the reasons above"
    results = [item for item in flips if item.role == "result"]
    caught = sum(item.outcome == "caught" for item in results)
    told = f"{len(flips)} bits flipped: {_counted(flips)}."
    return f"{told} Of {len(results)} flips in results {caught} caught."


def _document(reports: list[Report]) -> dict[str, Any]:
    from harness.selftest import Flipped

    return {
        "flips": [{**asdict(item), "ok": item.ok} for item in reports if isinstance(item, Flipped)],
        "not_tested": [asdict(item) for item in reports if not isinstance(item, Flipped)],
    }
