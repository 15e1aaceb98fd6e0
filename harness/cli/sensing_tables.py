"""Tables of `sensors` and `machine`. Rich is imported when one is drawn."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from harness.machine.fact_values import is_unknown, reason_of
from harness.sensors.files import visible
from harness.units import duration, number, quantity, reading

if TYPE_CHECKING:
    from rich.console import Console

#: Width of tables that go to a file or a pipe.
_PIPE_WIDTH = 140


def show_sensors(document: Mapping[str, Any]) -> None:
    """Print the channels, then what is missing and why, then hints and cautions."""
    from rich.table import Table

    console = _console()
    present = [it for it in document["channels"] if it["present"]]
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("channel", "now", "role", "why this role", "driver's limits*", "read in"):
        table.add_column(title, overflow="fold", no_wrap=title == "now")
    for item in present:
        table.add_row(*(_plain(cell) for cell in _sensor_row(item)))
    if present:
        console.print(table)
    else:
        _say(console, "no sensor channel can be read here")
    for line in _sensor_notes(document):
        _say(console, line)


def _sensor_row(item: Mapping[str, Any]) -> tuple[str, ...]:
    limits = ", ".join(f"{it['name']} {reading(it['value'], it['unit'])}" for it in item["limits"])
    took = "" if item["read_seconds"] is None else duration(item["read_seconds"])
    return (
        item["name"],
        _now(item),
        item["role"] or "-",
        item["role_reason"] or "",
        limits,
        took,
    )


def _now(item: Mapping[str, Any]) -> str:
    if item["value"] is None:
        return "no value"
    text = _value(item["value"], item["unit"])
    return f"{text} (doubtful)" if (item["flag"] or "").startswith("implausible") else text


def _value(value: float, unit: str) -> str:
    return number(value) if unit == "count" else reading(value, unit)


def _sensor_notes(document: Mapping[str, Any]) -> Iterator[str]:
    channels = document["channels"]
    yield from _section(
        "without a value now",
        (f"{it['name']}: {it['reason']}" for it in channels if it["present"] and it["reason"]),
    )
    yield from _section(
        "doubtful", (f"{it['name']}: {it['flag']}" for it in channels if it["flag"])
    )
    yield from _section(
        "not here",
        (f"{it['name']} ({it['source']}): {it['reason']}" for it in channels if not it["present"]),
    )
    yield from _section("clocks", map(_clock_line, document["clocks"]))
    yield from _section(
        "hidden or worth knowing", (f"{it['source']}: {it['text']}" for it in document["hints"])
    )
    yield ""
    if any(it["limits"] for it in channels):
        yield "* claimed by the driver, unreviewed: never used as a safety limit by itself"
    yield document["unproven"]


def _clock_line(item: Mapping[str, Any]) -> str:
    verdict = "agree" if item["agree"] else "do not agree"
    return (
        f"CPU {item['cpu']}: measured {quantity(item['measured_hz'], 'Hz')}, "
        f"{item['stated_by']} says {quantity(item['stated_hz'], 'Hz')}: they {verdict}"
    )


def show_machine(document: Mapping[str, Any]) -> None:
    """Print the facts, a group at a time, then the warnings."""
    from rich.table import Table

    console = _console()
    for group, facts in document["facts"].items():
        table = Table(box=None, pad_edge=False, show_header=False)
        table.add_column(no_wrap=True, min_width=30)
        table.add_column(overflow="fold")
        for name, value in _fact_rows("", facts):
            table.add_row(_plain(f"  {name}"), _plain(value))
        console.print(_words(group), style="bold", markup=False)
        console.print(table)
    for line in _section(
        "before a run",
        (f"{it['text']} ({it['remedy']})" for it in document["warnings"]),
    ):
        _say(console, line)


def _fact_rows(name: str, value: Any) -> Iterator[tuple[str, str]]:
    """Rows of one group; parts that nobody could read for one reason are one row."""
    if isinstance(value, Mapping) and not is_unknown(value):
        reasons = {reason_of(it) for it in value.values()}
        if len(value) > 1 and len(reasons) == 1 and "" not in reasons:
            yield _words(name) or "all", f"not known: {reasons.pop()}"
        elif name == "mitigations":
            yield from _mitigation_rows(value)
        else:
            for part, its in value.items():
                yield from _fact_rows(f"{name} {part}".strip(), its)
    elif isinstance(value, list) and any(isinstance(it, Mapping) for it in value):
        for item in value:
            yield _words(name), _inline(item)
    else:
        yield _words(name), _fact_text(name, value)


def _mitigation_rows(states: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Vulnerabilities of one state share a row: most processors are free of most of them."""
    by_state: dict[str, list[str]] = {}
    for name, state in states.items():
        by_state.setdefault(state, []).append(name)
    for state, names in by_state.items():
        yield "mitigations", f"{', '.join(names)}: {state}"


def _inline(item: Mapping[str, Any]) -> str:
    return ", ".join(f"{_words(part)} {_fact_text(part, value)}" for part, value in item.items())


def _words(name: str) -> str:
    """A fact's name for people; the unit stands with the value."""
    for unit in ("_bytes", "_hz", "_seconds", "_volts"):
        name = name.removesuffix(unit)
    return name.replace("_", " ")


def _fact_text(name: str, value: Any) -> str:
    if is_unknown(value):
        return f"not known: {reason_of(value)}"
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(str(it) for it in value) or "none"
    if isinstance(value, int | float):
        return _number_text(name, value)
    return str(value)


def _number_text(name: str, value: float) -> str:
    from harness.units import size

    if name.endswith("_bytes"):
        return size(value)
    units = {"_hz": "Hz", "_seconds": "s", "_volts": "V"}
    unit = next((unit for suffix, unit in units.items() if name.endswith(suffix)), "")
    return quantity(value, unit) if unit else str(value)


def _section(title: str, lines: Iterable[str]) -> Iterator[str]:
    listed = list(lines)
    if listed:
        yield ""
        yield f"{title}:"
        yield from (f"  {line}" for line in listed)


def _console() -> Console:
    from rich.console import Console

    console = Console(highlight=False)
    return console if console.is_terminal else Console(width=_PIPE_WIDTH, highlight=False)


def _plain(text: str) -> Any:
    """Text that rich shows as it is: no markup, control characters visible."""
    from rich.text import Text

    return Text(visible(text, 400))


def _say(console: Console, line: str) -> None:
    console.print(visible(line, 1_000), markup=False, soft_wrap=True)
