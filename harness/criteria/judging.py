"""Shared by the criteria: findings about one load or channel, the worst of them, wording."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.outcome import Verdict
from harness.units import percent

#: Uncertainty of what is counted and of what is a largest reading, in the report's words.
COUNT_EXACT = "count: exact"
TIME_EXACT = "clock: exact to a millisecond"
LARGEST_READING = "largest reading, sensor accuracy not known"

#: A double holds 15 decimal digits; more would be invented.
_MOST_DIGITS = 15
_GRAVITY = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS, Verdict.NOT_TESTED)


@dataclass(frozen=True)
class Finding:
    """What a rule says of one load or channel; `distance` is how far it is from its limit, in
    any measure that is comparable within the rule: smaller is worse."""

    subject: str
    verdict: Verdict
    measured: float | None
    low: float | None
    high: float | None
    why: str
    distance: float = 0.0
    limit: float | None = None
    uncertainty: str = ""


def worst(findings: Sequence[Finding]) -> Finding:
    """The finding that decides: a failure before a doubt before a pass, then the narrowest."""
    return min(findings, key=lambda item: (_GRAVITY.index(item.verdict), item.distance))


def listed(words: Iterable[str], most: int = 4) -> str:
    """``a, b, c and 3 more``: never a sentence of a hundred names."""
    names = list(words)
    if len(names) <= most:
        return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]])) if names else "none"
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def percent_beside(value: float, *marks: float, digits: int = 2) -> str:
    """`value` in percent, with as many digits as it takes to tell it from every one of `marks`.

    99.95 beside a limit of 99.9 and the whole of 100 is no ``100 %``.
    """
    enough = (count for count in range(digits, _MOST_DIGITS) if _is_told(value, count, marks))
    return percent(value, digits=next(enough, _MOST_DIGITS))


def celsius_beside(value: float, limit: float) -> str:
    """A temperature with as many decimals, one at least, as it takes to tell it from `limit`."""
    enough = (it for it in range(1, _MOST_DIGITS) if (round(value, it) > limit) == (value > limit))
    return f"{value:.{next(enough, _MOST_DIGITS)}f} °C"


def _is_told(value: float, digits: int, marks: Sequence[float]) -> bool:
    """True when the rounded value lies on the same side of each mark as the value itself."""
    shown = float(f"{value:.{digits - 1}e}")
    return all((shown > mark, shown < mark) == (value > mark, value < mark) for mark in marks)


def plural(number: int, noun: str) -> str:
    """``1 pass``, ``2 passes``, ``3 trials``; a noun may end in s, x, ch or sh."""
    if number == 1:
        return f"1 {noun}"
    ending = "es" if noun.endswith(("s", "x", "ch", "sh")) else "s"
    return f"{number} {noun}{ending}"
