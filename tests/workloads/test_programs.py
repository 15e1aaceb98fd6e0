"""The meaning of the synthetic programs, statement by statement, against arithmetic by hand."""

from __future__ import annotations

import pytest

from workloads import programs as p
from workloads import programs_seeded

WORD = p.MASK


FIRST = p.Variable(0)


def answer(*body: p.Statement, result: p.Expression = FIRST, a: int = 5, b: int = 7) -> int:
    """What a function of two arguments, integers 100 and 200 and reals 1.0 and 2.0 returns."""
    function = p.Function("f", (100, 200), (1.0, 2.0), body, result, entry=True)
    return p.Evaluation(p.Unit("u", (function,)), function, (a, b), list(range(256))).answer()


def value(expression: p.Expression) -> int:
    return answer(result=expression)


@pytest.mark.parametrize(
    ("operator", "left", "right", "wanted"),
    [
        ("+", WORD, 2, 1),
        ("-", 1, 2, WORD),
        ("*", 1 << 63, 3, 1 << 63),
        ("&", 12, 10, 8),
        ("|", 12, 10, 14),
        ("^", 12, 10, 6),
        ("<<", WORD, 63, 1 << 63),
        (">>", WORD, 63, 1),
        ("rotate", (1 << 63) | 1, 1, 3),
        ("/", 100, 6, 14),  # divided by 7: the divisor's lowest bit is set
        ("%", 100, 6, 2),
        ("/", 9, 0, 9),
    ],
)
def test_operators_wrap_modulo_two_to_the_64(
    operator: str, left: int, right: int, wanted: int
) -> None:
    assert value(p.Binary(operator, p.Constant(left), p.Constant(right))) == wanted


@pytest.mark.parametrize(
    ("relation", "left", "right", "wanted"),
    [
        ("==", 3, 3, True),
        ("!=", 3, 3, False),
        ("<", 1, WORD, True),
        ("s<", 1, WORD, False),
        ("s<", 1 << 63, 0, True),
    ],
)
def test_relations_tell_signed_from_unsigned(
    relation: str, left: int, right: int, wanted: bool
) -> None:
    test = p.Compare(relation, p.Constant(left), p.Constant(right))
    assert value(p.Choice(test, p.Constant(1), p.Constant(0))) == wanted


def test_arguments_are_the_first_two_locals_and_starts_follow() -> None:
    assert [value(p.Variable(index)) for index in range(4)] == [5, 7, 100, 200]


def test_memory_places_count_modulo_its_size() -> None:
    assert value(p.Element(p.Constant(256 * 5 + 17))) == 17
    stored = p.Store(p.Constant(259), p.Constant(99))
    assert answer(stored, result=p.Element(p.Constant(3))) == 99


def test_a_blend_scales_and_adds_the_low_sixteen_bits() -> None:
    blend = p.Blend(1, 0.5, p.Constant(0x30004))
    assert answer(blend, result=p.Whole(1)) == 5  # 2.0 * 0.5 + 4


def test_reals_compare_and_choose() -> None:
    assert value(p.Choice(p.RealLess(0, 1), p.Constant(1), p.Constant(0))) == 1
    assert value(p.Choice(p.RealLess(1, 0), p.Constant(1), p.Constant(0))) == 0


def test_a_sweep_changes_the_first_words_only() -> None:
    sweep = p.Sweep(2, 10, p.Constant(3))
    words = [answer(sweep, result=p.Element(p.Constant(at))) for at in range(4)]
    assert words == [3, 13, 2, 3]


def test_branches_take_one_side() -> None:
    test = p.Compare("==", p.Variable(0), p.Constant(5))
    branch = p.If(test, (p.Assign(2, p.Constant(1)),), (p.Assign(3, p.Constant(1)),))
    assert answer(branch, result=p.Variable(2)) == 1
    assert answer(branch, result=p.Variable(3)) == 200
    assert answer(branch, result=p.Variable(3), a=6) == 1


def test_a_loop_runs_two_trips_more_than_the_remainder_and_leaves_its_counter() -> None:
    add = p.Assign(0, p.Binary("+", p.Variable(0), p.Variable(2)))
    loop = p.Loop(2, p.Constant(7), 4, (add,))  # 7 % 4 + 2 = 5 trips: adds 0 + 1 + 2 + 3 + 4
    assert answer(loop) == 5 + 10
    assert answer(loop, result=p.Variable(2)) == 5


def test_a_switch_counts_its_cases_modulo() -> None:
    cases = tuple((p.Assign(0, p.Constant(case)),) for case in range(4))
    assert answer(p.Switch(p.Constant(6), cases)) == 2


def test_a_call_passes_arguments_and_shares_the_memory() -> None:
    product = p.Binary("*", p.Variable(0), p.Variable(1))
    callee = p.Function("g", (), (), (p.Store(p.Constant(0), p.Constant(9)),), product, False)
    call = p.Call(2, 0, (p.Constant(6), p.Variable(1)))
    result = p.Binary("+", p.Variable(2), p.Element(p.Constant(0)))
    caller = p.Function("f", (1,), (), (call,), result, True)
    unit = p.Unit("u", (callee, caller))
    assert p.Evaluation(unit, caller, (5, 7), [0] * 256).answer() == 6 * 7 + 9


def test_the_driver_calls_entries_in_order_and_mixes_the_memory_in() -> None:
    quiet = p.Function("g", (), (), (), p.Constant(1), False)
    entry = p.Function("f", (), (), (), p.Binary("+", p.Variable(0), p.Variable(1)), True)
    total = p.rotate_left(3, 7) ^ (3 + 1)  # entry number 1 gets (total, 1)
    for word in p.first_memory(3):
        total = p.rotate_left(total, 7) ^ word
    assert p.run((p.Unit("u", (quiet, entry)),), 3) == total


def test_the_memory_is_filled_by_the_cited_congruential_sequence() -> None:
    """Knuth's 64-bit multiplier and increment: x -> 6364136223846793005 x + 1442695040888963407."""
    assert p.first_memory(0)[0] == 1442695040888963407
    second = (6364136223846793005 * 1442695040888963407 + 1442695040888963407) % 2**64
    assert p.first_memory(0)[1] == second
    assert len(p.first_memory(0)) == p.MEMORY_WORDS


def statements(body: p.Body) -> list[p.Statement]:
    """All statements of a body, those inside blocks too."""
    found: list[p.Statement] = []
    for statement in body:
        inner = {
            p.If: lambda one: one.then + one.otherwise,
            p.Loop: lambda one: one.body,
            p.Switch: lambda one: sum(one.cases, ()),
        }.get(type(statement))
        found += [statement, *(statements(inner(statement)) if inner else [])]
    return found


SEEDS = range(1, 21)


def test_a_seed_always_generates_the_same_unit_and_another_a_different_one() -> None:
    units = [programs_seeded.unit("u", seed, 6) for seed in SEEDS]
    assert units == [programs_seeded.unit("u", seed, 6) for seed in SEEDS]
    assert len({repr(unit) for unit in units}) == len(units)


@pytest.mark.parametrize("functions", [2, 3, 4, 16])
def test_every_private_function_is_called_by_an_entry(functions: int) -> None:
    for seed in SEEDS:
        unit = programs_seeded.unit("u", seed, functions)
        called = {
            one.function
            for function in unit.entries()
            for one in statements(function.body)
            if isinstance(one, p.Call)
        }
        private = {at for at, one in enumerate(unit.functions) if not one.entry}
        assert called == private
        assert len(unit.functions) == functions


def test_generated_programs_use_every_kind_of_statement() -> None:
    kinds = {
        type(statement)
        for seed in SEEDS
        for function in programs_seeded.unit("u", seed, 6).functions
        for statement in statements(function.body)
    }
    assert kinds == {p.Assign, p.Store, p.Blend, p.Sweep, p.If, p.Loop, p.Switch, p.Call}


def test_no_statement_writes_the_counter_of_a_loop_it_stands_in() -> None:
    for seed in SEEDS:
        for function in programs_seeded.unit("u", seed, 9).functions:
            for loop in statements(function.body):
                if isinstance(loop, p.Loop):
                    inside = statements(loop.body)
                    written = [getattr(one, "variable", None) for one in inside]
                    written += [one.counter for one in inside if isinstance(one, p.Loop)]
                    assert loop.counter not in written


def test_reals_stay_where_every_language_converts_them_alike() -> None:
    """The largest weight and addend: r <= 7/8 r + 65535 has its fixed point below 2^19."""
    real = 1000.0
    for _ in range(1000):
        real = real * max(programs_seeded.WEIGHTS) + 65535.0
    assert real <= 8 * 65535 < 2**19
