"""Runs that ended without their end: found, explained, judged and reported by the next command."""

from __future__ import annotations

from pathlib import Path

from harness.clock import SYSTEM, Clock
from harness.errors import RigproofError


def close_and_report(runs_dir: Path, root: Path = Path("/"), clock: Clock = SYSTEM) -> list[str]:
    """Close every lost run in the folder and write its report; one line each, for people."""
    from harness.finishing import conclude
    from harness.machine.boot import boot_id
    from harness.record.endings import close_lost_runs
    from harness.record.owner import owner_is_alive

    this_boot = boot_id(root)
    lines = []
    for lost in close_lost_runs(
        runs_dir, clock, this_boot, lambda owner: owner_is_alive(owner, this_boot)
    ):
        lines.append(f"run {lost.run_id} ended without its end: {lost.text}")
        if lost.problem:
            lines.append(f"  {lost.problem}")
        if lost.closed:
            try:
                lines.append(f"  judged and reported in {conclude(lost.folder).folder}")
            except RigproofError as error:
                lines.append(f"  could not be reported: {error}")
    return lines
