"""Programs as C text; that it compiles and answers rightly: test_c_compile.py."""

from __future__ import annotations

from workloads import programs, programs_c, programs_seeded


def test_only_entries_are_visible_outside_their_unit() -> None:
    unit = programs_seeded.unit("u", 1, 6)
    header, source = programs_c.header((unit,)), programs_c.source(unit)
    for function in unit.functions:
        signature = f"uint64_t {function.name}(uint64_t a0, uint64_t a1, uint64_t *memory)"
        assert (f"{signature};" in header) == function.entry
        assert (f"static {signature}" in source) != function.entry
        assert signature in source


def test_braces_and_parentheses_balance() -> None:
    for seed in range(1, 10):
        source = programs_c.source(programs_seeded.unit("u", seed, 6))
        for left, right in ("{}", "()"):
            assert source.count(left) == source.count(right)


def test_the_driver_calls_entries_with_their_number() -> None:
    unit = programs_seeded.unit("u", 1, 4)
    driver = programs_c.driver((unit,), 5)
    calls = [
        f"{function.name}(total, {number}u, memory)"
        for number, function in enumerate(unit.functions)
        if function.entry
    ]
    places = [driver.index(call) for call in calls]
    assert places == sorted(places)
    assert "state = UINT64_C(5)" in driver


def test_the_same_unit_is_written_the_same_way() -> None:
    units = [programs_seeded.unit("u", 9, 5) for _ in range(2)]
    assert programs_c.source(units[0]) == programs_c.source(units[1])
    assert f"#define MEMORY_WORDS {programs.MEMORY_WORDS}\n" in programs_c.header(tuple(units))
