"""The one formatter of numbers for people: units, prefixes, intervals, durations, bytes, percent.

Rules and their sources:

* Prefixes are the SI's (BIPM, *The International System of Units*, 9th edition, table 7); amounts
  of memory carry the binary prefixes of IEC 80000-13. A number and its unit are separated by a
  space, and digits are grouped by a narrow space, never by a comma (the same brochure, 5.4).
* An interval's half-width is rounded by the rule of the Particle Data Group (*Review of Particle
  Physics*, introduction, "Rounding", from memory): its three leading digits decide whether it is
  shown with two digits (100 to 354, and 950 to 999 as 1000) or one (355 to 949); the value is
  then shown to the same decimal place. That respects JCGM 100:2008, 7.2.6: no more than two
  digits of an uncertainty, and a value that stops where its uncertainty does.

Nothing here reads the locale, so the same number gives the same text everywhere. Every function
takes a number: what was not measured is None and never gets here, its reason is printed instead.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal

MINUS = "\N{MINUS SIGN}"
GROUP = "\N{NARROW NO-BREAK SPACE}"
PLUS_MINUS = "\N{PLUS-MINUS SIGN}"

_PREFIXES = {
    -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T", 15: "P", 18: "E",
}  # fmt: skip
#: (power of ten, prefix) as they are typed: the micro sign has two code points, and keyboards
#: have neither (common practice, no source).
_SPELLINGS = [
    *((exponent, prefix) for exponent, prefix in _PREFIXES.items() if prefix),
    (-6, "\N{GREEK SMALL LETTER MU}"),
    (-6, "u"),
]
_BINARY = ("B", "KiB", "MiB", "GiB", "TiB", "PiB", "EiB")
#: A stated amount of memory is shown exactly as long as it takes no more digits than this.
_BINARY_DIGITS = 5
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")

#: Names that workloads and sources use, and the symbols people read.
_SYMBOLS = {
    "flop": "FLOP", "byte": "B", "bytes": "B", "hertz": "Hz", "hz": "Hz", "watt": "W",
    "watts": "W", "joule": "J", "joules": "J", "volt": "V", "volts": "V", "ampere": "A",
    "amperes": "A", "second": "s", "seconds": "s", "celsius": "°C", "degc": "°C",
    "kelvin": "K", "percent": "%", "count": "", "rpm": "RPM", "rev/min": "RPM",
}  # fmt: skip

#: Powers of ten a prefix may stand for. A core voltage is read in volts and a fan in RPM, so
#: neither takes one; work and frequency never need the small ones.
_RANGES = {
    "s": (-9, 0), "Hz": (0, 12), "B": (0, 18), "bit": (0, 18), "FLOP": (0, 18),
    "W": (0, 6), "J": (0, 9),
}  # fmt: skip
_PER_SECOND = re.compile(r"^[A-Za-z][A-Za-z -]*/s$")
_PER_WORK = re.compile(r"^s/[A-Za-z][A-Za-z -]*$")
#: Outside this range plain digits would be a row of zeros.
_PLAIN_RANGE = (1e-4, 1e15)
_READING_PLACES = {"°C": 1, "K": 1, "RPM": 0, "V": 3, "%": 1}
#: Two units of a long span: their symbols, seconds in the small one, how many small ones make
#: a large one, and the span in seconds from which the next row takes over (rounding included).
_SPANS = (
    ("min", "s", 1, 60, 3_599.5),
    ("h", "min", 60, 60, 86_370.0),
    ("d", "h", 3_600, 24, math.inf),
)
#: Beyond this (32 thousand years) a span is shown as plain seconds.
_LONGEST_SECONDS = 1e12
#: A double holds 15 decimal digits; more would be invented.
_MOST_DIGITS = 15
#: Wide enough for every double written out in full, whatever context a caller has set.
_CONTEXT = Context(prec=1200, rounding=ROUND_HALF_EVEN)


@dataclass(frozen=True)
class Scale:
    """How values of a unit are shown: divided by `base` to `exponent`, labelled with `symbol`."""

    exponent: int
    symbol: str
    base: int = 10

    def apply(self, value: float) -> Decimal:
        """`value` (finite) in the scale's unit, without rounding error of its own."""
        exact = Decimal(repr(float(value)))
        if self.base == 10:
            return exact.scaleb(-self.exponent)
        return _CONTEXT.divide(exact, Decimal(self.factor))

    @property
    def factor(self) -> int | float:
        """What one of the scale's unit is in the values' own unit."""
        return float(self.base) ** self.exponent if self.exponent < 0 else self.base**self.exponent


@dataclass(frozen=True)
class Shown:
    """A value and its interval, rounded alike; `plus_minus` is empty where they lie unevenly."""

    value: str
    plus_minus: str
    low: str
    high: str
    symbol: str

    @property
    def number(self) -> str:
        """The text without its unit, for columns that name the unit beside it."""
        if self.plus_minus:
            return f"{self.value} {PLUS_MINUS} {self.plus_minus}"
        return f"{self.value} ({self.low} to {self.high})"

    def __str__(self) -> str:
        return _join(self.number, self.symbol)


def symbol_of(unit: str) -> str:
    """The symbol people read for a unit's name: ``flop/s`` gives ``FLOP/s``."""
    return "/".join(_SYMBOLS.get(part.lower(), part) for part in unit.split("/"))


def factor_of(unit: str, of: str) -> float | None:
    """How many `of` one `unit` is: 1e9 for ``GFLOP/s`` of ``flop/s``; None where it is another.

    `unit` may have a prefix of the SI, as the reports write it, and the symbol that people read.
    """
    names = {of.casefold(), symbol_of(of).casefold()}
    if unit.casefold() in names:
        return 1.0
    low, high = _prefix_range(symbol_of(of))
    for exponent, prefix in _SPELLINGS:
        rest = unit.removeprefix(prefix)
        if low <= exponent <= high and rest != unit and rest.casefold() in names:
            return float(Decimal(1).scaleb(exponent))
    return None


def scale_for(largest: float, unit: str, *, digits: int = 4) -> Scale:
    """The scale that shows `largest` (in `unit`) with one to three digits before the point."""
    symbol = symbol_of(unit)
    if symbol == "B":
        return _binary_scale(largest)
    low, high = _prefix_range(symbol)
    if not math.isfinite(largest) or largest == 0 or low == high:
        return Scale(0, symbol)
    rounded = _significant(Decimal(repr(abs(float(largest)))), digits)
    exponent = min(max(3 * (rounded.adjusted() // 3), low), high)
    if exponent == 3 and _is_counted(symbol):
        exponent = 0  # "12 340 key/s" reads better than "12.34 kkey/s"
    return Scale(exponent, _PREFIXES[exponent] + symbol)


def _binary_scale(largest_bytes: float) -> Scale:
    """Amounts of memory and storage; rates (``byte/s``) keep the SI's prefixes."""
    size = abs(largest_bytes) if math.isfinite(largest_bytes) else 0.0
    step = next((it for it in range(len(_BINARY)) if size < 1024.0 ** (it + 1)), len(_BINARY) - 1)
    return Scale(10 * step, _BINARY[step], base=2)


def number(value: float, *, digits: int = 4) -> str:
    """`value` with `digits` significant digits; whole numbers keep all of theirs."""
    if not math.isfinite(value):
        return _not_finite(value)
    if value != 0 and not _PLAIN_RANGE[0] <= abs(value) < _PLAIN_RANGE[1]:
        return _scientific(value, digits)
    exact = Decimal(repr(float(value)))
    places = max(digits - 1 - _significant(exact, digits).adjusted(), 0)
    return fixed(exact, places if exact else 0)


def fixed(value: float | Decimal, places: int) -> str:
    """`value` (finite) with exactly `places` decimals, digits grouped from five on."""
    step = Decimal(1).scaleb(-places)
    return _grouped(Decimal(value if isinstance(value, Decimal) else repr(float(value))), step)


def count(value: float) -> str:
    """A whole number with its digits grouped: 12345 gives ``12 345``."""
    return fixed(value, 0) if math.isfinite(value) else _not_finite(value)


def quantity(value: float, unit: str, *, digits: int = 4) -> str:
    """`value` in `unit` with a fitting prefix and `digits` significant digits."""
    if not math.isfinite(value):
        return _join(_not_finite(value), symbol_of(unit))
    scale = scale_for(value, unit, digits=digits)
    return _join(number(float(scale.apply(value)), digits=digits), scale.symbol)


def stated(value: float, unit: str) -> str:
    """`value` as somebody stated it (a limit, a setting): scaled, but with no digit added."""
    if not math.isfinite(value):
        return _join(_not_finite(value), symbol_of(unit))
    if symbol_of(unit) == "s" and 60 <= abs(value) < _LONGEST_SECONDS:
        return span(value)
    scale = scale_for(value, unit, digits=_MOST_DIGITS)
    if scale.base == 2 and len(scale.apply(value).normalize().as_tuple().digits) > _BINARY_DIGITS:
        return quantity(value, unit)  # a decimal amount has no short binary one
    return _join(_exact(scale.apply(value)), scale.symbol)


def as_declared(value: float, unit: str) -> str:
    """`value` and `unit` as an operator declared them, without a prefix of ours."""
    if not math.isfinite(value):
        return _join(_not_finite(value), unit)
    return _join(_exact(Decimal(repr(float(value)))), unit)


def shown(value: float, low: float, high: float, unit: str) -> Shown:
    """`value` with its interval from `low` to `high`, all finite and in `unit`."""
    scale = scale_for(max(abs(value), (high - low) / 2), unit)
    middle, bottom, top = scale.apply(value), scale.apply(low), scale.apply(high)
    places = _places((top - bottom) / 2, middle)
    step = Decimal(1).scaleb(-places)
    # Symmetric as far as it is shown: rounding each side by itself would split at a tie.
    lopsided = abs((top - middle) - (middle - bottom)) >= step / 2
    half = "" if lopsided else _grouped((top - bottom) / 2, step)
    texts = [_grouped(part, step) for part in (middle, bottom, top)]
    return Shown(texts[0], half, texts[1], texts[2], scale.symbol)


def interval(value: float, low: float, high: float, unit: str) -> str:
    """`value` with its interval in one line: ``12.31 ± 0.04 GFLOP/s``.

    An interval that is not symmetric about its value is written out: ``12.3 (11.9 to 13.4)``.
    """
    if not all(map(math.isfinite, (value, low, high))):
        parts = " to ".join(quantity(end, unit) for end in (low, high))
        return f"{quantity(value, unit)} ({parts})"
    return str(shown(value, low, high, unit))


def percent(value: float, *, digits: int = 2) -> str:
    """A share that is already in percent: 0.3512 gives ``0.35 %``."""
    return _join(number(value, digits=digits), "%")


def change(ratio: float, *, places: int = 2) -> str:
    """A ratio as the change it means: 1.0312 gives ``+3.12 %``, 1 gives ``0.00 %``."""
    if not math.isfinite(ratio):
        return _join(_not_finite(ratio), "%")
    text = fixed((Decimal(repr(float(ratio))) - 1) * 100, places)
    is_zero = not any(digit in text for digit in "123456789")
    sign = "" if is_zero or text.startswith(MINUS) else "+"
    return _join(sign + text, "%")


def reading(value: float, unit: str) -> str:
    """A sensor's value, with no more decimals than such sensors resolve: ``71.3 °C``, ``1520 RPM``.

    The decimals are common practice, no source.
    """
    symbol = symbol_of(unit)
    if symbol in _READING_PLACES and math.isfinite(value):
        return _join(fixed(value, _READING_PLACES[symbol]), symbol)
    return quantity(value, unit)


def temperature(celsius: float) -> str:
    """A temperature: ``71.3 °C``."""
    return reading(celsius, "°C")


def temperature_difference(kelvin: float) -> str:
    """A difference of temperatures, in kelvin so that nobody reads it as a temperature."""
    return reading(kelvin, "K")


def size(amount_bytes: float) -> str:
    """An amount of memory or storage with binary prefixes: ``31.3 GiB``."""
    if not math.isfinite(amount_bytes):
        return _join(_not_finite(amount_bytes), "B")
    step = 0
    while abs(amount_bytes) >= 1024 and step < len(_BINARY) - 1:
        amount_bytes /= 1024
        step += 1
    whole = step == 0 or float(amount_bytes).is_integer()
    return _join(count(amount_bytes) if whole else number(amount_bytes, digits=3), _BINARY[step])


def duration(seconds: float) -> str:
    """A span of time: ``43.0 ms``, ``12.3 s``, ``4 min 05 s``, ``2 h 03 min``, ``3 d 04 h``."""
    if not 59.95 <= abs(seconds) < _LONGEST_SECONDS:
        return quantity(seconds, "s", digits=3)
    large, small, step_seconds, per, _ = next(row for row in _SPANS if abs(seconds) < row[4])
    whole, rest = divmod(round(abs(seconds) / step_seconds), per)
    return f"{MINUS if seconds < 0 else ''}{whole} {large} {rest:02d} {small}"


def span(seconds: float) -> str:
    """A stated span of time, exact to a tenth of a second: ``1 h 30 min``, ``14 min 59.6 s``."""
    if not 60 <= abs(seconds) < _LONGEST_SECONDS:
        return stated(seconds, "s")
    tenths = round(abs(seconds) * 10)
    hours, minutes, rest = tenths // 36_000, tenths // 600 % 60, Decimal(tenths % 600) / 10
    parts = (
        f"{_exact(Decimal(amount))} {symbol}"
        for amount, symbol in ((hours, "h"), (minutes, "min"), (rest, "s"))
        if amount
    )
    return (MINUS if seconds < 0 else "") + " ".join(parts)


def elapsed(seconds: float) -> str:
    """A place on the run's time axis: ``0:03:12.4`` (hours, minutes, seconds)."""
    if not abs(seconds) < _LONGEST_SECONDS:
        return quantity(seconds, "s")
    tenths = round(abs(seconds) * 10)
    sign = MINUS if seconds < 0 and tenths else ""
    minutes, rest = divmod(tenths, 600)
    return f"{sign}{minutes // 60}:{minutes % 60:02d}:{rest // 10:02d}.{rest % 10}"


def _join(text: str, symbol: str) -> str:
    return f"{text} {symbol}" if symbol else text


def _exact(value: Decimal) -> str:
    short = value.normalize()
    if short and not _PLAIN_RANGE[0] <= abs(short) < _PLAIN_RANGE[1]:
        return _scientific(float(short), len(short.as_tuple().digits))
    return fixed(short, max(-int(short.as_tuple().exponent), 0))


def _prefix_range(symbol: str) -> tuple[int, int]:
    head = symbol.split("/", maxsplit=1)[0]
    if head in _RANGES and (symbol == head or _PER_SECOND.match(symbol)):
        return _RANGES[head]
    if _PER_WORK.match(symbol):
        return _RANGES["s"]
    return (0, 18) if _PER_SECOND.match(symbol) else (0, 0)


def _is_counted(symbol: str) -> bool:
    return symbol.split("/", maxsplit=1)[0] not in _RANGES


def _places(half: Decimal, value: Decimal) -> int:
    """Decimals that an interval's half-width and its value are shown with; -2 is hundreds."""
    if not half:
        return min(max(3 - value.adjusted(), 0), _MOST_DIGITS)
    leading = int(half.scaleb(2 - half.adjusted()))
    digits = 1 if 355 <= leading < 950 else 2
    places = digits - 1 - half.adjusted() - (1 if leading >= 950 else 0)
    if places < 0:
        # Above ten the second digit stays: "68 ± 41" tells more than "70 ± 40" and costs nothing.
        return min(1 - half.adjusted(), 0)
    return min(places, max(_MOST_DIGITS - 1 - value.adjusted(), 0))


def _significant(value: Decimal, digits: int) -> Decimal:
    return _round(value, Decimal(1).scaleb(value.adjusted() - digits + 1)) if value else value


def _round(value: Decimal, step: Decimal) -> Decimal:
    return _CONTEXT.quantize(value, step)


def _grouped(value: Decimal, step: Decimal) -> str:
    rounded = _round(value, step)
    if abs(rounded) >= Decimal(_PLAIN_RANGE[1]):
        return _scientific(float(rounded), 4)
    head, _, tail = f"{abs(rounded):f}".partition(".")
    if len(head) > 4:
        head = f"{int(head):,}".replace(",", GROUP)
    sign = MINUS if rounded < 0 else ""
    return f"{sign}{head}.{tail}" if tail else sign + head


def _scientific(value: float, digits: int) -> str:
    mantissa, _, exponent = f"{value:.{max(digits, 1) - 1}e}".partition("e")
    return f"{mantissa.replace('-', MINUS)}×10{str(int(exponent)).translate(_SUPERSCRIPT)}"


def _not_finite(value: float) -> str:
    if math.isnan(value):
        return "not a number"
    return "infinite" if value > 0 else f"{MINUS}infinite"
