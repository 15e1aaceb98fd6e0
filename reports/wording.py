"""How measured values, limits and facts are put into words; the same in every kind of report."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from harness import units
from harness.compared import FactChange
from harness.results import (
    CriterionResult,
    Failure,
    LaneSummary,
    SafetyStop,
    WorkloadResult,
)
from reports.text import one_line, shortened

_ABBREVIATIONS = {
    word.lower(): word
    for word in (
        "CPU",
        "CPUs",
        "GPU",
        "SMT",
        "NUMA",
        "DIMM",
        "BIOS",
        "DMI",
        "BLAS",
        "LLVM",
        "PSI",
        "ID",
        "KiB",
    )
}
#: The space between a number and a unit that :mod:`harness.units` writes.
_NUMBER_AND_UNIT = re.compile(
    r"(?<=\d) (?=(?:%|°C|K|RPM|h|d|min|[nµm]?s|[KMGT]iB|[mkMGTPE]?(?:Hz|W|V|A|J|B|FLOP))"
    r"(?![A-Za-z]))"
)
NOT_MEASURED = "not measured"
_UNIT_CHARACTERS = 24
_PLURAL_WORD = re.compile(r"[a-z ]{3,}[a-rt-z]s|[a-z ]+sses")
#: In a line; the whole detail stands in the table of failures.
_DETAIL_CHARACTERS = 600


def cpus_text(value: float) -> str:
    """``1 CPU``, ``1.5 CPUs``."""
    return f"{value:g} CPU{'' if value == 1 else 's'}"


#: A fact's name ends in its unit; the value is then shown with it and the name without.
_SUFFIXES: dict[str, Callable[[float], str]] = {
    "_bytes": units.size,
    "_hz": lambda value: units.stated(value, "Hz"),
    "_khz": lambda value: units.stated(value * 1e3, "Hz"),
    "_mhz": lambda value: units.stated(value * 1e6, "Hz"),
    "_seconds": lambda value: units.stated(value, "s"),
    "_celsius": lambda value: units.stated(value, "°C"),
    "_watts": lambda value: units.stated(value, "W"),
    "_volts": lambda value: units.stated(value, "V"),
    "_percent": lambda value: units.stated(value, "%"),
    "_cpus": cpus_text,
}


@dataclass(frozen=True)
class Moment:
    """A moment in UTC, and in local time where that differs."""

    utc: str
    local: str


def prose(text: object, *, limit: int | None = None) -> str:
    """Untrusted text on one line, with numbers kept on the same line as their units."""
    return _NUMBER_AND_UNIT.sub("\N{NO-BREAK SPACE}", one_line(text, limit=limit))


def unit_text(unit: str) -> str:
    """A unit fit to stand beside a number, whoever wrote it."""
    return shortened(unit, _UNIT_CHARACTERS)


def _counted(value: float, unit: str) -> str:
    """The unit's singular where it is a plural word and there is exactly one."""
    if value != 1 or not _PLURAL_WORD.fullmatch(unit):
        return unit
    return unit[:-2] if unit.endswith(("shes", "sses")) else unit[:-1]


def value_text(value: float, unit: str) -> str:
    """One measured value without an interval: whole numbers stay whole."""
    short = _counted(value, unit_text(unit))
    is_whole = float(value).is_integer() and units.symbol_of(short) not in ("°C", "K", "V", "%")
    if is_whole and not units.scale_for(value, short).exponent:
        return units.stated(value, short)
    return units.reading(value, short)


def measured_text(measured: float | None, low: float | None, high: float | None, unit: str) -> str:
    """A measured value with as much of its interval as there is."""
    if measured is None:
        return NOT_MEASURED
    if low is not None and high is not None and low < high:
        return units.interval(measured, low, high, unit_text(unit))
    value = value_text(measured, unit)
    if high is not None and high > measured:
        return f"{value} (at most {value_text(high, unit)})"
    if low is not None and low < measured:
        return f"{value} (at least {value_text(low, unit)})"
    return value


def criterion_measured(item: CriterionResult) -> str:
    """What a criterion measured, in words."""
    return measured_text(item.measured, item.low, item.high, item.unit)


def criterion_limit(item: CriterionResult) -> str:
    """A criterion's limit, with the digits it was stated with; empty where it has none.

    One that was computed (no person states more than six digits of a fraction) is rounded.
    """
    if item.limit is None:
        return ""
    unit = _counted(item.limit, unit_text(item.unit))
    if not math.isclose(item.limit, float(f"{item.limit:.6g}"), rel_tol=1e-12):
        return value_text(item.limit, unit)
    return units.stated(item.limit, unit)


def workload_mean(item: WorkloadResult) -> str:
    """A workload's mean with its interval, in words."""
    return measured_text(item.mean, item.low, item.high, item.unit)


def workload_mean_all(item: WorkloadResult) -> str:
    """The same with every valid trial, the rejected ones included."""
    return measured_text(item.mean_all, item.low_all, item.high_all, item.unit)


def lane_changes(lanes: Sequence[LaneSummary]) -> list[str]:
    """How far each lane's rate lies from the mean of all lanes, as a change in percent."""
    rates = [lane.rate_mean for lane in lanes if lane.rate_mean is not None]
    mean = math.fsum(rates) / len(rates) if rates else 0.0
    if not mean or not math.isfinite(mean):
        return [NOT_MEASURED] * len(lanes)
    return [
        NOT_MEASURED if lane.rate_mean is None else units.change(lane.rate_mean / mean)
        for lane in lanes
    ]


def place_text(item: Failure) -> str:
    """Where a failure happened: ``lane 3 on CPU 7``, the CPU by the kernel's number."""
    lane = "" if item.lane is None else f"lane {item.lane}"
    cpu = "" if item.core is None else f"CPU {item.core}"
    return " on ".join(part for part in (lane, cpu) if part) or "place not known"


def failure_text(item: Failure) -> str:
    """A failure in one line: kind, workload, place, time, detail."""
    workload = f" in {item.workload}" if item.workload else ""
    when = f"{units.elapsed(item.at_seconds)} after the start"
    detail = one_line(item.detail, limit=_DETAIL_CHARACTERS)
    return one_line(f"{item.kind}{workload}, {place_text(item)}, {when}: {detail}")


def stop_text(stop: SafetyStop) -> str:
    """Why the guard stopped the load, in one sentence."""
    reaction = ""
    if stop.reaction_seconds is not None:
        reaction = f"; the load was off {units.duration(stop.reaction_seconds)} later"
    return one_line(
        f"{stop.channel} read {value_text(stop.value, stop.unit)} at "
        f"{units.elapsed(stop.at_seconds)}, beyond the limit of "
        f"{units.stated(stop.limit, unit_text(stop.unit))} set by {stop.whose}{reaction}"
    )


def moment_text(iso_utc: str, offset_minutes: int) -> Moment:
    """A moment in UTC and on the clock of the place where the run was made."""
    try:
        moment = datetime.fromisoformat(iso_utc).astimezone(UTC)
        local = moment.astimezone(timezone(timedelta(minutes=offset_minutes)))
    except (ValueError, OverflowError):
        return Moment(one_line(iso_utc), "")
    day = "" if local.date() == moment.date() else f"{local:%Y-%m-%d} "
    clock = f"{day}{local:%H:%M} local time" if offset_minutes else ""
    return Moment(f"{moment:%Y-%m-%d %H:%M:%S} UTC", clock)


def fact_rows(facts: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    """Facts and settings as (name, value) for people; nested facts get names with a slash."""
    for key, value in facts.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping) and value and not is_measure(value):
            yield from fact_rows(value, f"{name} / ")
        else:
            yield fact_text(name, value)


def fact_text(name: str, value: Any) -> tuple[str, str]:
    """One fact's name and value for people, its unit moved from the name to the value."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        for suffix, formatted in _SUFFIXES.items():
            if name.endswith(suffix):
                return spaced(name.removesuffix(suffix)), formatted(value)
    return spaced(name), plain_text(value)


def change_rows(changes: Iterable[FactChange]) -> tuple[tuple[str, str, str], ...]:
    """(name, before, after) of each change, for people; values carry their unit."""
    return tuple(_change_row(item) for item in changes)


def _change_row(item: FactChange) -> tuple[str, str, str]:
    known = item.after if item.before is None else item.before
    return (
        fact_text(item.fact, known)[0],
        _side_text(item, item.before),
        _side_text(item, item.after),
    )


def _side_text(item: FactChange, value: Any) -> str:
    return "not stated" if value is None else fact_text(item.fact, value)[1]


#: By the workload's basis, as the contract of workloads defines it: the score, and why.
_BASES = {
    "mean": "work over the trial's whole time, so that throttling and every stall count",
    "capability": "work at the 10th percentile of the pass times, so that short stalls do not "
    "count",
}


def basis_text(basis: str) -> str:
    """What a workload's score is made of, and why; empty where the basis has no name here."""
    return _BASES.get(basis, "")


def reading_rows(readings: Mapping[str, float]) -> list[tuple[str, str]]:
    """(name, value) of a workload's extra readings; the unit stands in the name's first part."""
    return [_reading_row(name, value) for name, value in readings.items()]


def _reading_row(name: str, value: float) -> tuple[str, str]:
    quantity, between, pair = name.partition(" between ")
    shown, text = fact_text(quantity, value)
    if quantity.endswith("_ns"):
        shown, text = spaced(quantity.removesuffix("_ns")), value_text(value * 1e-9, "s")
    return f"{shown}{between}{pair}", text


def sentence(text: str) -> str:
    """`text` with a full stop at its end, if it has none."""
    return text if text.endswith((".", "!", "?")) else f"{text}."


def capitalised(text: str, names: Iterable[str] = ()) -> str:
    """`text` with its first letter large and nothing else changed.

    A text that begins with one of `names` (of loads: keys, not words) stays as it is.
    """
    if any(re.match(rf"{re.escape(name)}(?![\w-])", text) for name in names if name):
        return text
    return text[:1].upper() + text[1:]


def plain_text(value: Any) -> str:
    """Any value of a fact, a setting or an event in words."""
    if isinstance(value, Mapping):
        return _mapping_text(value)
    if isinstance(value, list | tuple | set | frozenset):
        return _list_text(value)
    return _scalar_text(value)


def _scalar_text(value: Any) -> str:
    if value is None:  # absence that was seen; what could not be read is a value with its reason
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return units.as_declared(value, "")
    return str(value) if str(value).strip() else "empty"


def _mapping_text(value: Mapping[str, Any]) -> str:
    if is_measure(value):
        return _measure_text(value)
    return ", ".join(" ".join(fact_text(str(key), item)) for key, item in value.items()) or "none"


def _list_text(value: Iterable[Any]) -> str:
    items = sorted(value, key=repr) if isinstance(value, set | frozenset) else list(value)
    separator = "; " if any(isinstance(item, Mapping) for item in items) else ", "
    return separator.join(map(plain_text, items)) or "none"


def is_measure(value: Mapping[str, Any]) -> bool:
    """Whether a mapping is one quantity: a value with its unit, or null with the reason."""
    return "value" in value and set(value) <= {"value", "unit", "reason"}


def _measure_text(value: Mapping[str, Any]) -> str:
    amount, unit = value["value"], str(value.get("unit") or "")
    if amount is None:
        return f"not known: {value['reason']}" if value.get("reason") else "not known"
    if isinstance(amount, int | float) and not isinstance(amount, bool):
        return units.as_declared(amount, unit)
    return f"{plain_text(amount)} {unit}".rstrip()


def plural(count: int, noun: str, many: str = "") -> str:
    """``1 trial``, ``12 trials``."""
    return f"{units.count(count)} {noun if count == 1 else many or noun + 's'}"


def spaced(name: str) -> str:
    """A key as words: ``cpu_temperature`` gives ``CPU temperature``."""
    return " ".join(_ABBREVIATIONS.get(word, word) for word in name.replace("_", " ").split(" "))


def spaced_names(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """(name, value) pairs with their names as words."""
    return [(spaced(name), value) for name, value in pairs]
