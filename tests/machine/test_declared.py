"""Declared settings against what the machine shows."""

from __future__ import annotations

from typing import Any

import pytest

from harness.machine.declared import Standing, check_settings
from harness.machine.fact_values import unknown

_MODULE = {"configured_mega_transfers_per_second": 6000, "configured_volts": 1.35}
FACTS: dict[str, Any] = {
    "memory": {"modules": [_MODULE, _MODULE]},
    "frequency": {"policies": [{"governor": "performance"}], "boost": True, "smt": "on"},
    "cpu": {"microcode": "0xa601206"},
    "firmware": {"version": "1801"},
}


@pytest.mark.parametrize(
    ("name", "declared", "standing"),
    [
        ("memory_speed", "6000MT/s", Standing.CONFIRMED),
        ("memory_speed", 6000, Standing.CONFIRMED),
        ("memory_speed", "6400", Standing.CONTRADICTED),
        ("memory_speed", "6 GT/s", Standing.CONFIRMED),
        ("memory_speed", "6000 mt/s", Standing.CONFIRMED),
        ("memory_speed", "6000000 kT/s", Standing.CONFIRMED),
        ("memory_speed", "6000 GT/s", Standing.CONTRADICTED),
        ("memory_mts", "6.4GT/s", Standing.CONTRADICTED),
        ("memory_volts", "1.35 V", Standing.CONFIRMED),
        ("memory_volts", 1.35, Standing.CONFIRMED),
        ("memory_volts", "1350 mV", Standing.CONFIRMED),
        ("memory_volts", "1350mv", Standing.CONFIRMED),
        ("memory_volts", "1350000 \N{MICRO SIGN}V", Standing.CONFIRMED),
        ("memory_volts", "1.35 mV", Standing.CONTRADICTED),
        ("memory_volts", "-1.35 V", Standing.CONTRADICTED),
        ("memory_volts", "1350", Standing.CONTRADICTED),
        ("governor", "Performance", Standing.CONFIRMED),
        ("governor", "powersave", Standing.CONTRADICTED),
        ("boost", "on", Standing.CONFIRMED),
        ("boost", False, Standing.CONTRADICTED),
        ("microcode", "0xa601206", Standing.CONFIRMED),
        ("firmware_version", "1801", Standing.CONFIRMED),
        ("curve_offset", "-20", Standing.DECLARED),
    ],
)
def test_a_setting_is_confirmed_contradicted_or_only_declared(
    name: str, declared: Any, standing: Standing
) -> None:
    (checked,) = check_settings({name: declared}, FACTS)
    assert (checked.name, checked.declared, checked.standing) == (name, declared, standing)
    assert checked.why


@pytest.mark.parametrize(
    ("name", "declared", "why"),
    [
        ("memory_speed", "3000 MHz", "the machine shows it in MT/s, not in 'MHz'"),
        ("memory_speed", "6000 V", "the machine shows it in MT/s, not in 'V'"),
        ("memory_volts", "1.35 MV", "the machine shows it in V, not in 'MV'"),
        ("memory_volts", "1,35 V", "it is no number of V"),
        ("memory_volts", "as rated", "it is no number of V"),
        ("memory_volts", "", "it is no number of V"),
    ],
)
def test_what_cannot_be_converted_is_neither_confirmed_nor_contradicted(
    name: str, declared: str, why: str
) -> None:
    (checked,) = check_settings({name: declared}, FACTS)
    assert (checked.standing, checked.why) == (Standing.DECLARED, why)
    assert checked.seen in ([6000], [1.35])  # what the machine shows is shown all the same


def test_a_quantity_only_root_could_read_is_declared_not_verified_with_the_reason() -> None:
    facts = {"memory": {"modules": unknown("readable by root only")}}
    (checked,) = check_settings({"memory_speed": 6000}, facts)
    assert checked.standing == "declared, not verified"
    assert checked.seen is None
    assert checked.why == "readable by root only"


def test_modules_that_differ_contradict_and_are_listed() -> None:
    modules = [{"configured_mega_transfers_per_second": it} for it in (6000, 4800)]
    (checked,) = check_settings({"memory_speed": "6000"}, {"memory": {"modules": modules}})
    assert checked.standing is Standing.CONTRADICTED
    assert checked.why == "the machine shows 6000 MT/s, 4800 MT/s"


def test_facts_of_an_older_record_without_the_group_verify_nothing() -> None:
    (checked,) = check_settings({"boost": True}, {})
    assert checked.standing is Standing.DECLARED
