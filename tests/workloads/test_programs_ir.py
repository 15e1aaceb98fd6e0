"""Programs as LLVM IR: LLVM's own verifier, and the compiled answer against the tree's meaning."""

from __future__ import annotations

import pytest

from workloads import object_runner, programs, programs_ir, programs_seeded
from workloads.llvm_compile import Compiler


def compiled_answer(units: tuple[programs.Unit, ...], seed: int, *, optimised: bool) -> int:
    compiler = Compiler()
    module = compiler.parse(programs_ir.module(units))
    if optimised:
        compiler.optimise(module)
    code = compiler.emit(module)
    module.close()
    return object_runner.answer(code, programs_ir.DRIVER, seed)


@pytest.mark.parametrize("seed", range(1, 13))
def test_the_compiled_program_answers_what_the_tree_means(seed: int) -> None:
    units = (programs_seeded.unit("u", seed, 5),)
    assert compiled_answer(units, seed, optimised=True) == programs.run(units, seed)


def test_the_answer_is_the_same_without_optimisation() -> None:
    units = (programs_seeded.unit("u", 77, 6),)
    assert compiled_answer(units, 1, optimised=False) == programs.run(units, 1)


def test_several_units_share_one_driver() -> None:
    units = tuple(programs_seeded.unit(f"u{number}", number, 3) for number in range(3))
    assert compiled_answer(units, 9, optimised=True) == programs.run(units, 9)


def test_a_driver_s_seed_changes_the_answer() -> None:
    units = (programs_seeded.unit("u", 1, 4),)
    answers = {compiled_answer(units, seed, optimised=True) for seed in range(4)}
    assert answers == {programs.run(units, seed) for seed in range(4)}
    assert len(answers) == 4


def test_private_functions_can_be_inlined_and_entries_can_be_called() -> None:
    unit = programs_seeded.unit("u", 1, 4)
    text = programs_ir.module((unit,))
    for function in unit.functions:
        head = f"define {'' if function.entry else 'internal '}i64 @{function.name}("
        assert head in text
