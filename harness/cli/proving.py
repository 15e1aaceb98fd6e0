"""`self-test`: prove the detectors on this machine by flipping bits on purpose."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import AsJson

if TYPE_CHECKING:
    from harness.selftest import Flipped, Report

Lane = Annotated[int, typer.Option("--lane", help="Lane (an index of the CPUs) to spoil.")]
Only = Annotated[
    list[str] | None,
    typer.Option("--workload", help="Only this workload. Repeatable.", show_default=False),
]


def self_test(lane: Lane = 0, only: Only = None, as_json: AsJson = False) -> None:
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
    for item in selftest.self_test(cpus, lane, tuple(only or ())):
        reports.append(item)
        if not as_json:
            _print(item)
    flips = [item for item in reports if isinstance(item, selftest.Flipped)]
    if as_json:
        typer.echo(json.dumps(_document(reports), indent=2))
    else:
        typer.echo(_summary(flips))
    proved = bool(flips) and all(item.ok for item in flips)
    raise typer.Exit(int(ExitCode.PASS if proved else ExitCode.FAIL))


def _print(item: Report) -> None:
    from harness.selftest import Flipped

    if not isinstance(item, Flipped):
        typer.echo(f"{item.workload:<22} not tested: {item.reason}")
        return
    where = f"lane {item.lane} (CPU {item.cpu})"
    what = f"{item.role}, {item.kind}"
    typer.echo(f"{item.workload:<22} {where}  {what:<28} {item.outcome}: {item.place}")


def _summary(flips: list[Flipped]) -> str:
    counts = Counter(str(item.outcome) for item in flips)
    told = ", ".join(f"{count} {outcome}" for outcome, count in sorted(counts.items()))
    results = [item for item in flips if item.role == "result"]
    caught = sum(item.outcome == "caught" for item in results)
    return f"{len(flips)} bits flipped: {told}. Of {len(results)} flips in results {caught} caught."


def _document(reports: list[Report]) -> dict[str, Any]:
    from harness.selftest import Flipped

    return {
        "flips": [{**asdict(item), "ok": item.ok} for item in reports if isinstance(item, Flipped)],
        "not_tested": [asdict(item) for item in reports if not isinstance(item, Flipped)],
    }
