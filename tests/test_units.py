"""The formatter of numbers, against the rules of its sources and against exact arithmetic."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness import units
from harness.units import GROUP, MINUS

#: No deadline: other work on the machine must not fail a test.
CALM = settings(deadline=None)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
SENSIBLE = st.floats(min_value=1e-12, max_value=1e14)


def plain(text: str) -> float:
    """The number at the beginning of a text for people."""
    digits = text.split(" ", maxsplit=1)[0].replace(GROUP, "").replace(MINUS, "-").replace("+", "")
    return float(digits)


@pytest.mark.parametrize(
    ("half", "text"),
    [
        # Particle Data Group, Review of Particle Physics, "Rounding": its own examples are
        # 0.827 +- 0.119, which keeps two digits, and 0.827 +- 0.367, which becomes 0.8 +- 0.4.
        (0.119, "0.83 ± 0.12"),
        (0.367, "0.8 ± 0.4"),
        (0.100, "0.83 ± 0.10"),
        (0.354, "0.83 ± 0.35"),
        (0.355, "0.8 ± 0.4"),
        (0.949, "0.8 ± 0.9"),
        (0.950, "0.8 ± 1.0"),
        (0.999, "0.8 ± 1.0"),
    ],
)
def test_an_interval_is_rounded_as_the_particle_data_group_rounds(half: float, text: str) -> None:
    assert units.interval(0.827, 0.827 - half, 0.827 + half, "") == text


@pytest.mark.parametrize(
    ("value", "low", "high", "unit", "text"),
    [
        (12.31e9, 12.27e9, 12.35e9, "flop/s", "12.31 ± 0.04 GFLOP/s"),
        (58.34e9, 58.05e9, 58.63e9, "byte/s", "58.34 ± 0.29 GB/s"),
        (71.39e-9, 71.31e-9, 71.47e-9, "s/access", "71.39 ± 0.08 ns/access"),
        (78.5, 77.5, 79.5, "°C", "78.5 ± 1.0 °C"),
        (123.4, 118.4, 128.4, "W", "123 ± 5 W"),
        (68.2, 27.0, 109.4, "W", "68 ± 41 W"),
        (123.4, -300.0, 546.8, "W", "120 ± 420 W"),
        (28_914.0, 15_323.0, 42_505.0, "key/s", f"29{GROUP}000 ± 14{GROUP}000 key/s"),
        (12.3e9, 11.9e9, 13.4e9, "flop/s", "12.3 (11.9 to 13.4) GFLOP/s"),
        (5.0, 5.0, 5.0, "W", "5.000 ± 0.000 W"),
        (-30.0, -31.2, -28.8, "mV", f"{MINUS}30.0 ± 1.2 mV"),
        (0.0, -0.04, 0.04, "%", "0.00 ± 0.04 %"),
    ],
)
def test_an_interval_carries_its_unit_and_no_digit_it_cannot_stand_for(
    value: float, low: float, high: float, unit: str, text: str
) -> None:
    assert units.interval(value, low, high, unit) == text


def test_an_interval_that_is_not_finite_is_written_out() -> None:
    assert units.interval(1.0, -math.inf, math.inf, "W") == (
        f"1.000 W ({MINUS}infinite W to infinite W)"
    )


@CALM
@given(value=SENSIBLE, share=st.floats(min_value=1e-6, max_value=0.9))
def test_a_symmetric_interval_shows_at_most_two_digits_of_its_half_width(
    value: float, share: float
) -> None:
    half = value * share
    shown = units.shown(value, value - half, value + half, "flop/s")
    digits = shown.plus_minus.replace(GROUP, "").replace(".", "").lstrip("0")
    assert shown.plus_minus != ""
    assert 1 <= len(digits.rstrip("0") or "0") <= 2
    places = [len(text.partition(".")[2]) for text in (shown.value, shown.low, shown.plus_minus)]
    assert len(set(places)) == 1, "value, ends and half-width stop at the same decimal"


@CALM
@given(value=SENSIBLE, share=st.floats(min_value=1e-6, max_value=0.9))
def test_a_rounded_half_width_is_wrong_by_less_than_a_seventh(value: float, share: float) -> None:
    # The coarsest step of the rule is 0.355 shown as 0.4: wrong by 12.7 %.
    half = value * share
    shown = units.shown(value, value - half, value + half, "W")
    exponent = {"": 0, "k": 3, "M": 6}[shown.symbol.removesuffix("W")]
    if share > 0.002:
        assert plain(shown.plus_minus) * 10**exponent == pytest.approx(half, rel=0.15, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (3.6912e9, "Hz", "3.691 GHz"),
        (999.94e6, "byte/s", "999.9 MB/s"),
        (999.96e6, "byte/s", "1.000 GB/s"),  # the prefix follows the rounded number
        (12_345.0, "key/s", f"12{GROUP}345 key/s"),
        (183.24e6, "key/s", "183.2 Mkey/s"),
        (0.5, "key/s", "0.5000 key/s"),
        (4.2e-4, "s", "420.0 µs"),
        (0.0, "W", "0 W"),
        (0.0012, "V", "0.001200 V"),  # a voltage is read in volts
        (1e-9, "errors/h", "1.000×10⁻⁹ errors/h"),
        (-2.5e9, "flop/s", f"{MINUS}2.500 GFLOP/s"),
        (math.nan, "W", "not a number W"),
        (math.inf, "byte/s", "infinite B/s"),
        (7.0, "count", "7.000"),
        (24_640_245_760.0, "byte", "22.95 GiB"),  # memory, as `size` shows it; rates stay decimal
        (0.0, "byte", "0 B"),
        (1023.0, "byte", "1023 B"),
        (math.inf, "byte", "infinite B"),
        (4.1e-8, "s/round trip", "41.00 ns/round trip"),
        (2.5e6, "round trip/s", "2.500 Mround trip/s"),
    ],
)
def test_a_quantity_takes_the_prefix_that_leaves_one_to_three_digits(
    value: float, unit: str, text: str
) -> None:
    assert units.quantity(value, unit) == text


@CALM
@given(value=SENSIBLE)
def test_a_quantity_means_the_number_it_was_made_from(value: float) -> None:
    scale = units.scale_for(value, "flop/s")
    text = units.quantity(value, "flop/s", digits=12)
    assert text.endswith(scale.symbol)
    if "×" not in text:
        assert plain(text) * 10.0**scale.exponent == pytest.approx(value, rel=1e-9)


@CALM
@given(value=SENSIBLE)
def test_an_amount_of_memory_is_scaled_without_rounding(value: float) -> None:
    scale = units.scale_for(value, "byte")
    assert scale.base == 2
    assert scale.apply(value) * 2**scale.exponent == Decimal(repr(value))


@pytest.mark.parametrize(
    ("amount", "text"),
    [(2**30, "1 GiB"), (1.5 * 2**30, "1.5 GiB"), (1e9, "953.7 MiB"), (100, "100 B")],
)
def test_a_stated_amount_of_memory_is_exact_where_that_is_short(amount: float, text: str) -> None:
    assert units.stated(amount, "byte") == text


@CALM
@given(value=SENSIBLE)
def test_scaling_shifts_the_decimal_point_and_nothing_else(value: float) -> None:
    scale = units.scale_for(value, "byte/s")
    assert scale.apply(value) * Decimal(10) ** scale.exponent == Decimal(repr(value))


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (95.0, "°C", "95 °C"),
        (3.5e9, "flop/s", "3.5 GFLOP/s"),
        (412.5e9, "flop/s", "412.5 GFLOP/s"),
        (0.3, "%", "0.3 %"),
        (900.0, "s", "15 min"),
        (5_400.0, "s", "1 h 30 min"),
        (30.0, "s", "30 s"),
        (0.025, "s", "25 ms"),
        (0.0, "failures", "0 failures"),
        (-1e-7, "", f"{MINUS}1×10⁻⁷"),
        (math.inf, "s", "infinite s"),
    ],
)
def test_what_was_stated_gains_no_digit(value: float, unit: str, text: str) -> None:
    assert units.stated(value, unit) == text


def test_what_an_operator_declared_keeps_the_operators_unit() -> None:
    assert units.as_declared(6000, "MT/s") == "6000 MT/s"
    assert units.as_declared(-30.5, "mV") == f"{MINUS}30.5 mV"
    assert units.as_declared(math.nan, "mV") == "not a number mV"


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (71.26, "°C", "71.3 °C"),
        (71.26, "celsius", "71.3 °C"),
        (1519.6, "RPM", "1520 RPM"),
        (1.2344, "V", "1.234 V"),
        (61.04, "%", "61.0 %"),
        (145.63, "W", "145.6 W"),
        (math.nan, "°C", "not a number °C"),
    ],
)
def test_a_reading_has_no_more_decimals_than_such_sensors_resolve(
    value: float, unit: str, text: str
) -> None:
    assert units.reading(value, unit) == text


def test_temperatures_and_their_differences_have_different_units() -> None:
    assert units.temperature(71.26) == "71.3 °C"
    assert units.temperature_difference(3.14) == "3.1 K"


@pytest.mark.parametrize(
    ("amount", "text"),
    [
        (0, "0 B"),
        (512, "512 B"),
        (1024, "1 KiB"),  # IEC 80000-13: Ki is 1024
        (33_554_432_000, "31.2 GiB"),
        (2**35, "32 GiB"),
        (1023, "1023 B"),
        (-2048, f"{MINUS}2 KiB"),
        (2.0**90, f"1{GROUP}073{GROUP}741{GROUP}824 EiB"),
        (math.inf, "infinite B"),
    ],
)
def test_memory_has_binary_prefixes(amount: float, text: str) -> None:
    assert units.size(amount) == text


@pytest.mark.parametrize(
    ("ratio", "text"),
    [
        (1.0312, "+3.12 %"),
        (0.9731, f"{MINUS}2.69 %"),
        (1.0, "0.00 %"),
        (1.000001, "0.00 %"),
        (0.999999, "0.00 %"),
        (math.nan, "not a number %"),
    ],
)
def test_a_ratio_reads_as_a_change(ratio: float, text: str) -> None:
    assert units.change(ratio) == text


def test_no_change_has_no_sign() -> None:
    assert units.change(0.9999999) == "0.00 %"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 s"),
        (4.3e-2, "43.0 ms"),
        (12.34, "12.3 s"),
        (59.94, "59.9 s"),
        (59.96, "1 min 00 s"),
        (245.0, "4 min 05 s"),
        (3_599.4, "59 min 59 s"),
        (3_599.6, "1 h 00 min"),
        (7_384.0, "2 h 03 min"),
        (86_369.0, "23 h 59 min"),
        (86_370.0, "1 d 00 h"),
        (273_600.0, "3 d 04 h"),
        (-245.0, f"{MINUS}4 min 05 s"),
        (math.nan, "not a number s"),
    ],
)
def test_a_duration_has_two_units_at_most(seconds: float, text: str) -> None:
    assert units.duration(seconds) == text


@CALM
@given(seconds=st.floats(min_value=60.0, max_value=1e9))
def test_a_long_duration_is_right_within_half_of_its_small_unit(seconds: float) -> None:
    steps = {"s": 1.0, "min": 60.0, "h": 3_600.0, "d": 86_400.0}
    large, large_unit, small, small_unit = units.duration(seconds).split()
    meant = int(large) * steps[large_unit] + int(small) * steps[small_unit]
    assert abs(meant - seconds) <= steps[small_unit] / 2 + 1e-6


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (899.6, "14 min 59.6 s"),
        (28_800.0, "8 h"),
        (3_600.1, "1 h 0.1 s"),
        (-120.0, f"{MINUS}2 min"),
        (90_061.0, "25 h 1 min 1 s"),
        (59.99, "59.99 s"),
    ],
)
def test_a_span_is_exact_to_a_tenth_of_a_second(seconds: float, text: str) -> None:
    assert units.span(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0:00:00.0"),
        (611.84, "0:10:11.8"),
        (3_599.96, "1:00:00.0"),
        (360_000.0, "100:00:00.0"),
        (-1.25, f"{MINUS}0:00:01.2"),
        (-0.01, "0:00:00.0"),
        (math.inf, "infinite s"),
    ],
)
def test_a_place_on_the_time_axis_reads_as_a_clock(seconds: float, text: str) -> None:
    assert units.elapsed(seconds) == text


@CALM
@given(seconds=st.floats(min_value=0.0, max_value=1e8))
def test_a_clock_reading_means_its_seconds(seconds: float) -> None:
    hours, minutes, rest = units.elapsed(seconds).split(":")
    meant = int(hours) * 3600 + int(minutes) * 60 + float(rest)
    assert abs(meant - seconds) <= 0.05 + 1e-6
    assert int(minutes) < 60
    assert float(rest) < 60


@CALM
@given(value=st.integers(min_value=-(10**14), max_value=10**14))
def test_a_count_keeps_every_digit(value: int) -> None:
    assert int(units.count(value).replace(GROUP, "").replace(MINUS, "-")) == value


@CALM
@given(value=FINITE, unit=st.sampled_from(["", "flop/s", "°C", "s", "V", "odd unit"]))
def test_every_finite_number_has_a_text_without_ascii_minus_or_exponent(
    value: float, unit: str
) -> None:
    texts = [
        units.number(value),
        units.quantity(value, unit),
        units.stated(value, unit),
        units.reading(value, unit),
        units.interval(value, value, value, unit),
        units.duration(value),
    ]
    assert all(text.isprintable() or GROUP in text for text in texts)
    assert not any("-" in text or "e+" in text or "E+" in text for text in texts)


@pytest.mark.parametrize(
    ("name", "symbol"),
    [("flop/s", "FLOP/s"), ("byte", "B"), ("s/access", "s/access"), ("W", "W"), ("", "")],
)
def test_names_of_units_become_symbols(name: str, symbol: str) -> None:
    assert units.symbol_of(name) == symbol


@pytest.mark.parametrize(
    ("unit", "of", "factor"),
    [
        ("flop/s", "flop/s", 1.0),
        ("FLOP/s", "flop/s", 1.0),
        ("GFLOP/s", "flop/s", 1e9),
        ("Gflop/s", "flop/s", 1e9),
        ("Mblock/s", "block/s", 1e6),
        ("kblock/s", "block/s", 1e3),
        ("GB/s", "byte/s", 1e9),
        ("GIR instruction/s", "IR instruction/s", 1e9),
        ("ns/walk", "s/walk", 1e-9),
        ("\N{MICRO SIGN}s/round trip", "s/round trip", 1e-6),
        ("\N{GREEK SMALL LETTER MU}s/walk", "s/walk", 1e-6),
        ("us/walk", "s/walk", 1e-6),
        ("s/walk", "s/walk", 1.0),
        # Another quantity, a prefix that such a unit never has, and no prefix of the SI.
        ("GFLOP/s", "block/s", None),
        ("mblock/s", "block/s", None),
        ("Ms/walk", "s/walk", None),
        ("gblock/s", "block/s", None),
        ("", "block/s", None),
    ],
)
def test_a_unit_with_a_prefix_is_so_many_of_the_unit(
    unit: str, of: str, factor: float | None
) -> None:
    assert units.factor_of(unit, of) == factor


@given(st.floats(1e-9, 1e17), st.sampled_from(["flop/s", "byte/s", "block/s", "s/walk"]))
def test_the_unit_that_a_number_is_shown_in_is_understood(value: float, unit: str) -> None:
    scale = units.scale_for(value, unit)
    assert units.factor_of(scale.symbol, unit) == pytest.approx(scale.factor)
