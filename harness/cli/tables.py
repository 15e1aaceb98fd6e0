"""Tables for people on a terminal. Rich is imported when one is drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


def workload_table(found: Sequence[Mapping[str, Any]]) -> None:
    """Print the workloads, a row each, grouped by family."""
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold", row_styles=("", "dim"))
    table.add_column("workload", no_wrap=True)
    table.add_column("family", no_wrap=True)
    table.add_column("unit", no_wrap=True)
    table.add_column("stresses", ratio=2)
    table.add_column("every pass is verified by", ratio=2)
    table.add_column("here", no_wrap=True)
    for item in found:
        here = "yes" if item["available"] else "no"
        if item["needs_permission"]:
            here = "with --allow-commands"
        table.add_row(
            item["name"], item["family"], item["unit"], item["purpose"], item["check"], here
        )
    console = Console()
    console.print(table)
    for item in found:
        if not item["available"]:
            console.print(f"{item['name']} is not available here: {item['reason']}", markup=False)
