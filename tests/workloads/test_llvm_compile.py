"""The LLVM workload: determinism, the compiled answer, damage, detection."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from bit_flips import flip_inputs, flip_results
from llvmlite import binding

from workloads.contract import AVAILABLE
from workloads.llvm_compile import LlvmCompileWorkload, LlvmTask


def prepared(seed: int = 1, functions: int = 2) -> LlvmTask:
    workload = LlvmCompileWorkload()
    task = workload.prepare(workload.complete({"functions": functions}), seed)
    assert isinstance(task, LlvmTask)
    return task


@pytest.fixture
def task() -> Iterator[LlvmTask]:
    prepared_task = prepared()
    prepared_task.execute()
    yield prepared_task
    prepared_task.close()


def test_every_pass_of_every_task_makes_the_same_object(task: LlvmTask) -> None:
    first = task.buffers()["result_object"].tobytes()
    for _ in range(3):
        task.execute()
        assert task.buffers()["result_object"].tobytes() == first
    other = prepared()
    other.execute()
    assert other.buffers()["result_object"].tobytes() == first
    assert other.digest() == task.digest()


def test_another_seed_makes_another_object(task: LlvmTask) -> None:
    other = prepared(seed=2)
    other.execute()
    assert other.digest() != task.digest()


def test_the_work_is_the_number_of_ir_instructions(task: LlvmTask) -> None:
    """Counted in the text: an indented line is an instruction."""
    lines = task.buffers()["input_module"].tobytes().decode().splitlines()
    assert task.work_per_pass == sum(line.startswith("  ") for line in lines)
    assert LlvmCompileWorkload.unit == "IR instruction", "not those that the processor executes"


def test_the_object_is_an_optimised_file_of_the_platform(task: LlvmTask) -> None:
    code = task.buffers()["result_object"].tobytes()
    object_file = binding.ObjectFileRef.from_data(code)
    assert any(section.is_text() and section.size() for section in object_file.sections())


def test_the_invariants_of_a_right_pass_hold(task: LlvmTask) -> None:
    compiles, answer = task.invariants()
    assert compiles.ok
    assert answer.ok
    assert answer.detail.endswith("(exit status 0)")


def test_a_damaged_object_is_run_where_it_can_do_no_harm(task: LlvmTask) -> None:
    code = task.buffers()["result_object"]
    code[64::3] ^= 0x55
    findings = {finding.name: finding for finding in task.invariants()}
    assert not findings["compiled program's answer"].ok
    assert "printed nothing" in findings["compiled program's answer"].detail


def test_a_module_that_llvm_refuses_gives_an_empty_object_and_the_reason(task: LlvmTask) -> None:
    golden = task.digest()
    text = task.buffers()["input_module"]
    text[:4] = ord("?")
    task.execute()
    assert task.buffers()["result_object"].size == 0
    assert task.digest() != golden
    (finding,) = task.invariants()
    assert (finding.name, finding.ok) == ("module compiles", False)
    assert "error" in finding.detail


def test_every_flip_in_the_object_is_caught(task: LlvmTask) -> None:
    campaign = flip_results(task)
    assert campaign.caught == campaign.flips


def test_every_flip_in_the_module_that_changes_the_object_is_caught(task: LlvmTask) -> None:
    """Rate above 95 % (seen: 98.9 % of 1,000); the rest only renames, which leaves no trace.

    Most flipped modules are refused, some become another program.
    """
    campaign = flip_inputs(task)
    assert campaign.missed == 0
    assert campaign.caught / campaign.flips > 0.95


def growth_bytes(task: LlvmTask, passes: int) -> float:
    """Resident memory that each of `passes` keeps, after the first twenty."""
    psutil = pytest.importorskip("psutil")
    process = psutil.Process()
    for _ in range(20):
        task.execute()
    before = process.memory_info().rss
    for _ in range(passes):
        task.execute()
    return float(process.memory_info().rss - before) / passes


def test_a_pass_leaves_no_pipeline_behind() -> None:
    """Each holds 50 KiB and more; what a pass may keep is a pass builder's 1.5 KiB."""
    assert growth_bytes(prepared(seed=3), passes=60) < 25_000


def test_passes_stay_as_cheap_as_the_first_ones(
    task: LlvmTask, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every pass has a pass builder of its own: call-backs of earlier runs would pile up in it."""
    made = []
    create = binding.create_pass_builder

    def counted(machine: Any, options: Any) -> Any:
        made.append(create(machine, options))
        return made[-1]

    monkeypatch.setattr(binding, "create_pass_builder", counted)
    for _ in range(3):
        task.execute()
    assert len({id(builder) for builder in made}) == 3


def test_what_a_pass_keeps_for_good_is_little_beside_its_work() -> None:
    """A builder keeps 1.5 KiB; at 1.3 million instructions a minute (measured) that must stay below
    25 MB an hour for a lane."""
    workload = LlvmCompileWorkload()
    task = workload.prepare(workload.complete({}), seed=1)
    passes_an_hour = 60 * 1.3e6 / task.work_per_pass
    assert passes_an_hour * 1536 < 25e6


def test_the_target_is_fixed_and_the_code_path_says_which() -> None:
    path = LlvmCompileWorkload().code_path({})
    assert ".".join(map(str, binding.llvm_version_info)) in path
    assert "-O2" in path
    assert binding.get_process_triple() in path
    assert path.split()[-1] in ("x86-64", "generic")


def test_it_is_available_where_the_new_pass_manager_is(monkeypatch: pytest.MonkeyPatch) -> None:
    assert LlvmCompileWorkload().availability() == AVAILABLE
    monkeypatch.delattr(binding, "create_pass_builder")
    missing = LlvmCompileWorkload().availability()
    assert not missing.available
    assert "needs 0.44" in missing.reason


def test_memory_grows_with_the_module() -> None:
    workload = LlvmCompileWorkload()
    small, large = (workload.memory_bytes({"functions": n}) for n in (2, 400))
    assert 0 < small < large
