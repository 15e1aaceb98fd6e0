"""What every numeric workload promises, whatever it computes."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from bit_flips import flip_inputs, flip_results
from numba.core.caching import NullCache
from numba.core.dispatcher import Dispatcher
from numeric_loads import LOADS, Load
from threadpoolctl import threadpool_limits

from workloads.contract import Difference, Finding

every_load = pytest.mark.parametrize("load", LOADS, ids=lambda load: load.name)


def failed(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.name for finding in findings if not finding.ok]


@every_load
def test_every_pass_of_every_lane_has_the_same_digest(load: Load) -> None:
    first, second = load.task(), load.task()
    digests = set()
    for task in (first, second, first):
        task.execute()
        digests.add(task.digest())
    assert len(digests) == 1


@every_load
def test_another_seed_has_another_digest(load: Load) -> None:
    tasks = load.task(1), load.task(2)
    for task in tasks:
        task.execute()
    assert tasks[0].digest() != tasks[1].digest()
    assert tasks[0].inputs_digest() != tasks[1].inputs_digest()


@every_load
def test_a_pass_leaves_its_inputs_alone(load: Load) -> None:
    task = load.task()
    before = task.inputs_digest()
    task.execute()
    task.execute()
    assert task.inputs_digest() == before


@every_load
def test_the_stages_one_after_another_are_the_pass(load: Load) -> None:
    task, staged = load.task(), load.task()
    task.execute()
    for stage in staged.stages():
        stage()
    assert staged.digest() == task.digest()


@every_load
def test_nothing_of_the_last_pass_survives_into_the_next(load: Load) -> None:
    """Results overwritten with rubbish, NaN included, leave the next pass right."""
    task = load.task()
    task.execute()
    right = task.digest()
    for name, array in task.buffers().items():
        if not name.startswith("input"):
            array.reshape(-1).view(np.uint8)[:] = 0xFF
    assert task.digest() != right
    task.execute()
    assert task.digest() == right


@every_load
def test_buffers_are_writable_in_one_piece_and_say_their_role(load: Load) -> None:
    buffers = load.task().buffers()
    roles = {name.partition("_")[0] for name in buffers}
    assert {"input", "result"} <= roles <= {"input", "intermediate", "result"}
    for name, array in buffers.items():
        assert array.flags.writeable, name
        assert array.flags.c_contiguous, name
        assert array.size, name


@every_load
def test_the_declared_memory_covers_the_buffers(load: Load) -> None:
    workload, task = load.workload(), load.task()
    size = sum(array.nbytes for array in task.buffers().values())
    assert size <= workload.memory_bytes(workload.complete(load.small)) < 64 * size + (1 << 20)


@every_load
def test_the_invariants_of_an_undisturbed_pass_hold(load: Load) -> None:
    task = load.task()
    task.execute()
    findings = task.invariants()
    assert failed(findings) == []
    assert bool(findings) == (load.workload().family != "vector")


@every_load
def test_every_flip_in_a_result_is_caught(load: Load) -> None:
    campaign = flip_results(load.task())
    assert (campaign.caught, campaign.missed) == (campaign.flips, 0)


@every_load
def test_a_flip_in_an_input_changes_its_digest_and_never_hides_in_the_result(load: Load) -> None:
    campaign = flip_inputs(load.task(), flips=60)
    assert campaign.missed == 0
    assert campaign.caught > 0


@every_load
def test_a_changed_result_is_located(load: Load) -> None:
    task = load.task()
    task.execute()
    results = {name: array for name, array in task.buffers().items() if name.startswith("result")}
    right = {name: array.copy() for name, array in results.items()}
    assert task.compare(right) is None
    name = sorted(results)[-1]
    place = tuple(size - 1 for size in results[name].shape)
    results[name][place] = 3
    difference = task.compare(right)
    assert isinstance(difference, Difference)
    assert (difference.buffer, difference.index, difference.elements) == (name, place, 1)


@every_load
def test_the_interpreter_lock_is_free_during_a_pass(load: Load) -> None:
    """With endless turns of the interpreter another thread runs only when a pass lets go."""
    task = load.task()
    task.execute()
    interval = sys.getswitchinterval()
    sys.setswitchinterval(1000.0)
    try:
        assert passes_until_told(task.execute, most=5000) < 5000
    finally:
        sys.setswitchinterval(interval)


def passes_until_told(work: Callable[[], None], most: int) -> int:
    """Passes a thread made until this one, which wants a turn at once, could stop it."""
    started, stop = threading.Event(), threading.Event()
    passes = 0

    def lane() -> None:
        nonlocal passes
        while not stop.is_set() and passes < most:
            work()
            passes += 1
            started.set()

    thread = threading.Thread(target=lane)
    thread.start()
    started.wait()
    stop.set()
    thread.join()
    return passes


def kernels() -> dict[str, Dispatcher]:
    """Every compiled function of the numeric workloads' modules."""
    modules = {type(load.workload()).__module__ for load in LOADS}
    modules |= {"workloads.fma_kernels", "workloads.operands", "workloads.digest"}
    found = {}
    for module in modules:
        for name, value in vars(import_module(module)).items():
            if isinstance(value, Dispatcher) and value.__module__ == module:
                found[f"{module}.{name}"] = value
    return found


def test_every_kernel_releases_the_lock_and_is_cached_on_disk() -> None:
    found = kernels()
    assert len(found) > 25
    assert [name for name, kernel in found.items() if not kernel.targetoptions.get("nogil")] == []
    assert [name for name, kernel in found.items() if isinstance(kernel._cache, NullCache)] == []


COMPILED_LATE = """
import sys
sys.path.insert(0, sys.argv[1])
from numeric_loads import LOADS
from test_numeric_loads import kernels
for load in LOADS:
    load.workload().warm()
warmed = {name: len(kernel.signatures) for name, kernel in kernels().items()}
for load in LOADS:
    task = load.task()
    task.execute()
    task.digest(), task.inputs_digest()
print([name for name, kernel in kernels().items() if len(kernel.signatures) != warmed[name]])
"""


def test_after_warming_up_a_pass_compiles_nothing() -> None:
    tests = Path(__file__).parent
    told = subprocess.run(
        [sys.executable, "-c", COMPILED_LATE, str(tests)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(tests.parents[1])},
    )
    assert (told.stdout.strip(), told.returncode) == ("[]", 0), told.stderr


@every_load
def test_its_facts_are_complete_and_its_parameters_bounded(load: Load) -> None:
    workload = load.workload()
    assert workload.name == load.name
    assert workload.unit and workload.purpose and workload.check
    assert workload.availability().available
    for name, parameter in workload.parameters.items():
        assert parameter.low is not None and parameter.high is not None, name
        with pytest.raises(ValueError, match="must lie in"):
            workload.complete({name: int(parameter.high) + 1})


@every_load
def test_shipped_goldens_are_for_the_defaults_and_seed_1(load: Load) -> None:
    workload = load.workload()
    defaults = workload.complete({})
    assert (workload.golden(defaults, 1) is not None) == workload.shipped_golden
    assert workload.golden(defaults, 2) is None
    assert bool(workload.code_path(defaults)) or workload.shipped_golden


@every_load
def test_the_default_pass_gives_the_shipped_golden(load: Load) -> None:
    workload = load.workload()
    defaults = workload.complete({})
    with threadpool_limits(1):
        task = workload.prepare(defaults, 1)
        task.execute()
        digest = task.digest()
    golden = workload.golden(defaults, 1)
    assert golden == digest or (golden is None and not workload.shipped_golden)
