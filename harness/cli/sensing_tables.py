"""What `sensors` and `machine` print. Rich is imported when a terminal is drawn on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from harness.cli.tables import (
    Column,
    fits,
    lines_of,
    make_console,
    show_hanging,
    show_table,
)
from harness.machine.fact_values import is_unknown, reason_of
from harness.sensors.files import visible
from harness.units import duration, number, quantity, reading

if TYPE_CHECKING:
    from rich.console import Console

_COLUMNS = (
    Column("channel"),
    Column("now"),
    Column("role"),
    Column("read in"),
    Column("why this role", is_prose=True),
    Column("driver's limits*", is_prose=True),
)
#: Only where lines are as long as they need to be: what a profile's `roles` match.
_KEY = Column("key")
#: Why a report may say that no clock was measured although this list shows one.
_PROBED = (
    "clock probe: its clocks are measured here and at each trial's start; a run does not sample "
    "them, except in soaks where sampling.clock_during_soak asks for it"
)
#: Flag of a value that is right but was read before.
_REPEAT = "repeat"


def show_sensors(document: Mapping[str, Any]) -> None:
    """Print the channels, then what is missing and why, then hints and cautions."""
    console = make_console()
    present = [it for it in document["channels"] if it["present"]]
    rows = [tuple(_plain(cell) for cell in _sensor_row(item)) for item in present]
    if not present:
        _say(console, "no sensor channel can be read here")
    elif not console.is_terminal:
        keyed = [(*row, _plain(item["key"])) for row, item in zip(rows, present, strict=True)]
        for line in lines_of([[it.title for it in (*_COLUMNS, _KEY)], *keyed]):
            _say(console, line)
    elif fits(_COLUMNS, rows, console.width):
        show_table(console, _COLUMNS, rows)
    else:
        _show_chips(console, present)
    for line in _sensor_notes(document):
        _say(console, line)


def _show_chips(console: Console, present: Sequence[Mapping[str, Any]]) -> None:
    """A block for each chip; what several channels in a row share is told once, under them."""
    from rich.text import Text

    for chip, its in groupby(present, key=_chip_name):
        channels = list(its)
        took = max((it["read_seconds"] or 0.0 for it in channels), default=0.0)
        console.print(Text.assemble((chip, "bold"), (f"  read in {duration(took)}", "dim")))
        lines = _channel_lines(channels, console.width)
        for told, sharing in groupby(channels, key=_details):
            for _ in sharing:
                for line in next(lines):
                    _say(console, line)
            if told:
                show_hanging(console, "      ", _plain(told), "dim")


def _channel_lines(channels: Sequence[Mapping[str, Any]], width: int) -> Iterator[tuple[str, ...]]:
    """Each channel's name, value and role in one line; the name above where a line is too long."""
    rows = [tuple(map(_plain, _sensor_row(it)[:3])) for it in channels]
    padded = [(f"  {name:<30}", f"{now:<20}", role) for name, now, role in rows]
    lines = list(lines_of(padded))
    if max(map(len, lines)) <= width:
        yield from ((line,) for line in lines)
        return
    below = lines_of([("     ", now, role) for _, now, role in padded])
    yield from ((f"  {row[0]}", line) for row, line in zip(rows, below, strict=True))


def _chip_name(item: Mapping[str, Any]) -> str:
    from harness.sensors.keys import traits_of

    driver = traits_of(item["key"]).driver
    return _plain(
        item["source"] if driver in ("", item["source"]) else f"{item['source']} {driver}"
    )


def _details(item: Mapping[str, Any]) -> str:
    limits = _limits(item)
    return "; ".join(part for part in (item["role_reason"], limits and f"limits* {limits}") if part)


def _sensor_row(item: Mapping[str, Any]) -> tuple[str, ...]:
    took = "" if item["read_seconds"] is None else duration(item["read_seconds"])
    return (
        item["name"],
        _now(item),
        item["role"] or "-",
        took,
        item["role_reason"] or "",
        _limits(item),
    )


def _limits(item: Mapping[str, Any]) -> str:
    return ", ".join(f"{it['name']} {reading(it['value'], it['unit'])}" for it in item["limits"])


def _now(item: Mapping[str, Any]) -> str:
    """The value; what is doubtful, or asked for and not measured, never looks like a reading."""
    if item["value"] is None:
        return "no value"
    marks = ["requested"] if item["role"] == "requested_clock" else []
    marks += ["doubtful"] if _is_doubtful(item) else []
    text = _value(item["value"], item["unit"])
    return f"{text} ({', '.join(marks)})" if marks else text


def _is_doubtful(item: Mapping[str, Any]) -> bool:
    return (item["flag"] or _REPEAT) != _REPEAT


def _value(value: float, unit: str) -> str:
    return number(value) if unit == "count" else reading(value, unit)


def _sensor_notes(document: Mapping[str, Any]) -> Iterator[str]:
    channels = document["channels"]
    yield from _section(
        "without a value now",
        (f"{it['name']}: {it['reason']}" for it in channels if it["present"] and it["reason"]),
    )
    yield from _section(
        "doubtful", (f"{it['name']}: {it['flag']}" for it in channels if _is_doubtful(it))
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
    if any(it["present"] and it["source"] == "clock probe" for it in channels):
        yield _PROBED
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
    from rich.text import Text

    console = make_console()
    for group, facts in document["facts"].items():
        rows = [(_plain(f"  {name:<30}"), _plain(value)) for name, value in _fact_rows("", facts)]
        console.print(Text(_words(group), style="bold"))
        for name, value in rows:
            if console.is_terminal:
                show_hanging(console, f"{name}  ", value)
            else:
                _say(console, f"{name}  {value}")
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
        yield _name_text(name, value) or "all", _fact_text(name, value)


def _mitigation_rows(states: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Vulnerabilities of one state share a row: most processors are free of most of them."""
    by_state: dict[str, list[str]] = {}
    for name, state in states.items():
        by_state.setdefault(state, []).append(name)
    for state, names in by_state.items():
        yield "mitigations", f"{', '.join(names)}: {state}"


def _inline(item: Mapping[str, Any]) -> str:
    parts = ((_name_text(part, value), _fact_text(part, value)) for part, value in item.items())
    return ", ".join(map(" ".join, parts))


def _name_text(name: str, value: Any) -> str:
    """A fact's name for people; CPUs that are counted stand with their number."""
    is_count = value is None or isinstance(value, int | float)
    return _words(name.removesuffix("_cpus") if is_count else name)


def _words(name: str) -> str:
    """A fact's name for people; the unit stands with the value."""
    for unit in ("_bytes", "_hz", "_seconds", "_volts"):
        name = name.removesuffix(unit)
    from reports.wording import spaced

    return spaced(name.replace("cpus", "CPUs"))


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
    from reports.wording import cpus_text

    if name.endswith("_bytes"):
        return size(value)
    if name.endswith("_cpus"):
        return cpus_text(value)
    units = {"_hz": "Hz", "_seconds": "s", "_volts": "V"}
    unit = next((unit for suffix, unit in units.items() if name.endswith(suffix)), "")
    return quantity(value, unit) if unit else str(value)


def _section(title: str, lines: Iterable[str]) -> Iterator[str]:
    listed = list(lines)
    if listed:
        yield ""
        yield f"{title}:"
        yield from (f"  {line}" for line in listed)


def _plain(text: str) -> str:
    """Text from a driver or a file, with nothing in it that a terminal would obey."""
    return visible(text, 400)


def _say(console: Console, line: str) -> None:
    """One line; on a terminal it is wrapped between words, under its own beginning."""
    text = visible(line, 2_000)
    if not console.is_terminal:
        console.print(text, markup=False, soft_wrap=True)
        return
    body = text.lstrip(" ")
    show_hanging(console, text[: len(text) - len(body)], body)
