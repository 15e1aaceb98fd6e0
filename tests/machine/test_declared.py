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
        ("memory_volts", "1.35 V", Standing.CONFIRMED),
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
    assert checked.why == "the machine shows 6000, 4800"


def test_facts_of_an_older_record_without_the_group_verify_nothing() -> None:
    (checked,) = check_settings({"boost": True}, {})
    assert checked.standing is Standing.DECLARED
