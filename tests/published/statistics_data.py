"""Reads the stored data sets and compares with numbers as printed."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[list[float]]:
    """Lines of numbers of one data file."""
    text = (DATA / name).read_text(encoding="utf-8")
    return [[float(word) for word in line.split()] for line in text.splitlines() if line.strip()]


def numbers(name: str) -> list[float]:
    """All numbers of one data file in order."""
    return [value for row in rows(name) for value in row]


def prints(value: float | None, printed: str) -> bool:
    """Whether `value` rounds to `printed` at the digits printed."""
    assert value is not None
    shown = Decimal(printed)
    step = Decimal(1).scaleb(int(shown.as_tuple().exponent))
    return abs(Decimal(repr(float(value))) - shown) <= step / 2 * Decimal("1.0000001")


def truncates_to(value: float | None, printed: str) -> bool:
    """Whether `value` cut off after the printed digits is `printed`."""
    assert value is not None
    shown = Decimal(printed)
    step = Decimal(1).scaleb(int(shown.as_tuple().exponent))
    return Decimal(0) <= Decimal(repr(float(value))) - shown < step
