"""Tables for people: columns where there is room, a block an item where there is not.

What goes to a file or a pipe is never wrapped: one line an item, so that it can be searched by
line. Rich is imported when a terminal is drawn on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from harness.cli.plain import say, visible

if TYPE_CHECKING:
    from rich.console import Console

_GAP = 2
#: A column of sentences narrower than this is harder to read than a block.
_NARROWEST_SENTENCE = 32


@dataclass(frozen=True)
class Column:
    """A heading; `is_prose` columns hold sentences and may be wrapped on a terminal."""

    title: str
    is_prose: bool = False


def make_console() -> Console:
    """Where tables go: stdout, as it is now."""
    from rich.console import Console

    return Console(highlight=False)


def fits(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> bool:
    """Whether a table leaves each column of sentences a readable width."""
    widths = _widths([[column.title for column in columns], *rows])
    wanted = (
        min(found, _NARROWEST_SENTENCE) if column.is_prose else found
        for column, found in zip(columns, widths, strict=True)
    )
    return sum(wanted) + _GAP * (len(columns) - 1) <= width


def lines_of(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Rows as lines with aligned columns, as long as they need to be, none wrapped."""
    widths = _widths(rows)
    for row in rows:
        padded = (
            cell + " " * (width - _cells(cell)) for cell, width in zip(row, widths, strict=True)
        )
        yield (" " * _GAP).join(padded).rstrip()


def show_table(console: Console, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> None:
    """Draw columns on a terminal; only sentences are wrapped."""
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, _GAP, 0, 0))
    for column in columns:
        table.add_column(column.title, no_wrap=not column.is_prose, overflow="fold")
    for row in rows:
        table.add_row(*map(Text, row))
    console.print(table)


def show_block(
    console: Console, title: str, pairs: Sequence[tuple[str, str]], *, note: str = ""
) -> None:
    """One item on a narrow terminal: its name, then what there is to say, line by line."""
    from rich.text import Text

    console.print(Text.assemble((title, "bold"), (f"  {note}" if note else "", "dim")))
    label_width = max((_cells(label) for label, _ in pairs), default=0)
    for label, text in pairs:
        show_hanging(console, f"  {label.ljust(label_width)}  ", text)


def show_hanging(console: Console, head: str, text: str, style: str = "") -> None:
    """`text` behind `head`, its further lines beginning under its first."""
    from rich.text import Text

    if _cells(head) > console.width // 2:  # a name that leaves no room beside it
        show_hanging(console, "  ", head.strip(), style)
        head = "      "
    indent = _cells(head)
    wrapped = Text(text).wrap(console, max(console.width - indent, 8), overflow="fold")
    for number, line in enumerate(wrapped or [Text("")]):
        line.rstrip()
        before = head if number == 0 else " " * indent
        console.print(Text.assemble(before, line), style=style, soft_wrap=True)


_RUNS_HERE = "yes"
_WORKLOAD_COLUMNS = (
    Column("workload"),
    Column("family"),
    Column("unit"),
    Column("here"),
    Column("stresses", is_prose=True),
    Column("every pass is verified by", is_prose=True),
)


def workload_table(found: Sequence[Mapping[str, Any]]) -> None:
    """Print the workloads, grouped by family."""
    console = make_console()
    rows = [tuple(map(visible, _workload_row(item))) for item in found]
    if not console.is_terminal:
        for line in lines_of([[column.title for column in _WORKLOAD_COLUMNS], *rows]):
            say(line)
    elif fits(_WORKLOAD_COLUMNS, rows, console.width):
        show_table(console, _WORKLOAD_COLUMNS, rows)
    else:
        for row in rows:
            _show_workload(console, *row)
    if console.is_terminal:
        console.print()
    for line in _notes(found):
        if console.is_terminal:
            show_hanging(console, "", visible(line))
        else:
            say(line)


def _show_workload(
    console: Console, name: str, family: str, unit: str, here: str, purpose: str, check: str
) -> None:
    """A block; that it can run here is the rule, and not said of each."""
    pairs = [("stresses", purpose), ("verified by", check)]
    if here != _RUNS_HERE:
        pairs.append(("here", here))
    show_block(console, name, pairs, note=f"{family}, counted in {unit}")


def _notes(found: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What holds of several, and what is missing."""
    yield from _score_lines(found)
    for item in found:
        if not item["available"]:
            yield f"{item['name']} is not available here: {item['reason']}"


def _score_lines(found: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What the scores are made of, a line a basis; the one of most workloads names none of them."""
    from reports.wording import basis_text

    names: dict[str, list[str]] = {}
    for item in found:
        names.setdefault(item["basis"], []).append(item["name"])
    usual, *others = sorted(names, key=lambda basis: len(names[basis]), reverse=True) or [""]
    if usual:
        which = "all others" if others else "every workload"
        yield from (f"score of {', '.join(names[it])}: {basis_text(it)}" for it in others)
        yield f"score of {which}: {basis_text(usual)}"


def _workload_row(item: Mapping[str, Any]) -> tuple[str, ...]:
    here = _RUNS_HERE if item["available"] else "no"
    if item["needs_permission"]:
        here = "with --allow-commands"
    return item["name"], item["family"], item["unit"], here, item["purpose"], item["check"]


def _widths(rows: Sequence[Sequence[str]]) -> list[int]:
    return [max(map(_cells, column)) for column in zip(*rows, strict=True)]


def _cells(text: str) -> int:
    """Columns that a terminal needs for `text`: some characters take two."""
    from rich.cells import cell_len

    return cell_len(text)
