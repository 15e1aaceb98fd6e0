"""What every registered workload must keep of the contract, whoever wrote it.

Written over the registry: a new workload is tested here by being registered. Light parameters
(`Workload.small`) are used where a workload has them.
"""

from __future__ import annotations

import ast
import importlib
import math
import os
import re
import subprocess
import sys
import threading
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import psutil
import pytest

from workloads import registry
from workloads.contract import PairContext, PairedWorkload, Parameter, Task, Workload
from workloads.faults import ROLES, choose_flip

NAMES = registry.names()
#: The seed that the harness gives to every task's inputs; shipped goldens are made for it.
SEED = 1
FLIPS = 24
MIB = 1 << 20
#: They allocate in programs and compilers of their own, which tracemalloc does not see.
ALLOCATE_ELSEWHERE = ("compile", "your own")
#: Algorithms that are named by their source and have no formula.
NO_FORMULA = ("compression", "compile", "integer", "your own")
#: What only the user can name has no default; here it is a program whose output is checked.
GIVEN: dict[str, dict[str, Any]] = {
    "command": {"argv": (sys.executable, "-S", "-c", "print('as always')"), "check": "output"}
}

_SOURCE = re.compile(r"\b1[89]\d\d\b|\b20\d\d\b|RFC \d+|FIPS|no source")
_FORMULA = re.compile(r"`[^`]*(=|\^|\*|xor|/|\+|\(|->)[^`]*`|\w+ = \w+|<=|\bmod\b|modulo")


class Rig:
    """A prepared workload; both ends of it where it takes two."""

    def __init__(self, workload: Workload, parameters: dict[str, Any]) -> None:
        if isinstance(workload, PairedWorkload):
            shared = np.zeros(128, np.uint64)
            self.ends: list[Task] = [
                workload.prepare_pair(parameters, SEED, PairContext(shared, end)) for end in (0, 1)
            ]
        else:
            self.ends = [workload.prepare(parameters, SEED)]

    @property
    def task(self) -> Task:
        return self.ends[0]

    def execute(self) -> None:
        """One pass of every end, at the same time."""
        others = [threading.Thread(target=end.execute) for end in self.ends[1:]]
        for other in others:
            other.start()
        self.task.execute()
        for other in others:
            other.join()

    def close(self) -> None:
        for end in self.ends:
            end.close()


def light(workload: Workload) -> dict[str, Any]:
    return dict(workload.complete({**GIVEN.get(workload.name, {}), **workload.small}))


def default(workload: Workload) -> dict[str, Any]:
    return dict(workload.complete(GIVEN.get(workload.name, {})))


class Case:
    """One workload with its light parameters and a task that has run one pass."""

    def __init__(self, name: str) -> None:
        self.workload = registry.load(name)
        self.parameters = light(self.workload)
        availability = self.workload.availability()
        if not availability.available:
            assert availability.reason
            pytest.skip(f"{name} is not available here: {availability.reason}")
        self.workload.warm()
        self.rig = Rig(self.workload, self.parameters)
        self.rig.execute()
        self.right = self.task.digest()

    @property
    def task(self) -> Task:
        return self.rig.task


@pytest.fixture(scope="module", params=NAMES)
def case(request: pytest.FixtureRequest) -> Iterator[Case]:
    made = Case(request.param)
    yield made
    made.rig.close()


@pytest.fixture(params=NAMES)
def workload(request: pytest.FixtureRequest) -> Workload:
    return registry.load(request.param)


def test_names_are_lower_case_words_with_hyphens_and_point_to_different_classes() -> None:
    assert all(re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", name) for name in NAMES)
    assert len({registry.WORKLOADS[name] for name in NAMES}) == len(NAMES)


def test_the_fields_are_filled_in(workload: Workload) -> None:
    assert registry.load(workload.name).__class__ is workload.__class__
    assert workload.version >= 1
    for text in (workload.family, workload.unit, workload.purpose, workload.check):
        assert text
        assert text == text.strip()
        assert "\n" not in text
    assert workload.basis in ("mean", "capability")


def test_the_check_is_told_as_it_is_for_every_choice_of_parameters(workload: Workload) -> None:
    """Other parameters than the default may have an agreed golden: the record says which it was."""
    assert not workload.check.startswith("shipped")


def test_the_docstring_names_formula_and_source(workload: Workload) -> None:
    homes = [kind for kind in type(workload).__mro__ if kind.__module__.startswith("workloads.")]
    modules = [importlib.import_module(kind.__module__) for kind in homes if kind is not Workload]
    texts = [part.__doc__ or "" for part in (*homes, *modules)]
    assert type(workload).__doc__
    if workload.name not in GIVEN:
        assert any(_SOURCE.search(text) for text in texts), "no year, RFC, FIPS or 'no source'"
    if workload.family not in NO_FORMULA:
        assert any(_FORMULA.search(text) for text in texts), "no formula"


def test_default_and_light_parameters_are_complete_and_within_bounds(workload: Workload) -> None:
    for complete in (default(workload), light(workload)):
        assert set(complete) == set(workload.parameters)
        assert workload.complete(complete) == complete
        assert workload.memory_bytes(complete) >= 0
    assert all(spec.purpose for spec in workload.parameters.values())


def outside(spec: Parameter) -> list[Any]:
    numbers = [*(() if spec.low is None else (spec.low - 1,))]
    numbers += [*(() if spec.high is None else (spec.high + 1,))]
    kind: Callable[[float], Any] = type(spec.default)  # type: ignore[assignment]
    return [kind(number) for number in numbers] + (["no such choice"] if spec.choices else [])


def test_a_value_outside_the_bounds_or_of_another_kind_is_refused(workload: Workload) -> None:
    for key, spec in workload.parameters.items():
        for value in (*outside(spec), None, b"bytes", {}):
            with pytest.raises(ValueError, match=re.escape(f"{key}: received")):
                workload.complete({key: value})


def test_every_number_has_bounds(workload: Workload) -> None:
    for key, spec in workload.parameters.items():
        if isinstance(spec.default, int | float) and not isinstance(spec.default, bool):
            assert spec.low is not None, key
            assert spec.high is not None, key
            assert spec.low <= spec.default <= spec.high, key


def test_an_unknown_parameter_is_refused_with_those_that_exist(workload: Workload) -> None:
    with pytest.raises(ValueError, match="is no parameter of") as caught:
        workload.complete({"no-such-key": 1})
    assert all(key in str(caught.value) for key in workload.parameters)


def test_a_pass_repeated_gives_the_same_digest_and_changes_no_input(case: Case) -> None:
    inputs = case.task.inputs_digest()
    assert case.task.digest() == case.right
    case.rig.execute()
    assert [end.digest() for end in case.rig.ends] == [case.right] * len(case.rig.ends)
    assert case.task.inputs_digest() == inputs


def test_two_tasks_of_one_seed_agree(case: Case) -> None:
    other = Rig(case.workload, case.parameters)
    try:
        assert other.task.inputs_digest() == case.task.inputs_digest()
        other.execute()
        assert other.task.digest() == case.right
    finally:
        other.close()


def test_digests_are_64_bit_integers_and_not_0(case: Case) -> None:
    for digest in (case.right, case.task.inputs_digest()):
        assert type(digest) is int
        assert 0 < digest < 1 << 64


def test_the_golden_is_what_a_pass_gives(case: Case) -> None:
    golden = case.workload.golden(case.parameters, SEED)
    assert golden in (None, case.right)
    if case.workload.shipped_golden:
        assert case.workload.golden(default(case.workload), SEED) is not None
        assert golden is not None or case.workload.small, "the default pass has no golden"
    elif case.workload.name not in GIVEN:
        assert golden is None
        assert case.workload.code_path(case.parameters), "nothing to key an agreed golden by"


def candidates(spec: Parameter, rng: Random) -> list[Any]:
    """Values to draw from: default, choices, bounds, powers of two, and any between the bounds."""
    if spec.choices:
        return list(spec.choices)
    if spec.low is None or spec.high is None:
        return [spec.default]
    kind: Callable[[float], Any] = type(spec.default)  # type: ignore[assignment]
    powers = [1 << n for n in range(64) if spec.low <= 1 << n <= spec.high]
    between = [rng.uniform(spec.low, spec.high), rng.uniform(spec.low, min(spec.high, 4096))]
    return [spec.default, *(kind(value) for value in (spec.low, spec.high, *between, *powers))]


def sampled(workload: Workload, draws: int = 400) -> list[dict[str, Any]]:
    """Parameter choices that `complete` accepts; the default and each bound are among them."""
    rng, given = Random(11), GIVEN.get(workload.name, {})
    found = [default(workload)]
    for _ in range(draws):
        drawn = {key: rng.choice(candidates(it, rng)) for key, it in workload.parameters.items()}
        few = {key: value for key, value in drawn.items() if rng.random() < 0.7}
        try:
            found.append(dict(workload.complete({**few, **given})))
        except ValueError:
            continue
    return found


def test_a_golden_that_is_said_to_ship_always_does(workload: Workload) -> None:
    goldens = [workload.golden(choice, SEED) for choice in sampled(workload)]
    assert len(goldens) > 20 or not workload.parameters
    missing = goldens.count(None)
    assert not (workload.always_shipped and missing)
    if workload.shipped_golden and not workload.always_shipped:
        assert missing, "ships for every choice: say so with always_shipped"


def test_every_choice_of_parameters_has_a_shipped_golden_or_an_invariant_of_the_result(
    case: Case,
) -> None:
    """An agreed golden alone would let one lane bless its own error."""
    if all(case.workload.golden(choice, SEED) is not None for choice in sampled(case.workload)):
        return
    case.rig.execute()
    for name, array in case.task.buffers().items():
        if name.startswith("result"):
            array.reshape(-1).view(np.uint8)[:] = 0xFF
    findings = case.task.invariants()
    case.rig.execute()
    assert findings
    assert not all(finding.ok for finding in findings), "rubbish as a result satisfies them"


def test_a_healthy_pass_is_always_given_minutes_and_never_more_than_a_day(
    workload: Workload,
) -> None:
    for choice in sampled(workload, draws=60):
        for work in (1.0, 1e9, 1e18):
            seconds = workload.longest_pass_seconds(choice, work)
            assert 180.0 <= seconds <= 86_400.0 + 180.0
            assert workload.pass_limit_seconds(choice) < seconds


def test_invariants_hold_after_a_right_pass(case: Case) -> None:
    case.rig.execute()
    findings = case.task.invariants()
    assert [finding for finding in findings if not finding.ok] == []
    assert all(finding.name and finding.detail for finding in findings)


def test_buffers_have_a_role_and_can_be_flipped(case: Case) -> None:
    buffers = case.task.buffers()
    assert any(name.startswith("result") for name in buffers)
    for name, array in buffers.items():
        assert name.split("_")[0] in ROLES, name
        assert array.flags.c_contiguous, name
        assert array.flags.writeable, name
        assert np.shares_memory(array, case.task.buffers()[name]), f"{name} is a copy"


def test_a_flipped_bit_of_a_result_changes_the_digest_and_the_next_pass_is_right(
    case: Case,
) -> None:
    rng = Random(20)
    for _ in range(FLIPS):
        flip = choose_flip(case.task, rng, "result")
        flip.apply(case.task)
        assert case.task.digest() != case.right, flip
        flip.apply(case.task)
        assert case.task.digest() == case.right, flip
    choose_flip(case.task, rng, "result").apply(case.task)
    case.rig.execute()
    assert case.task.digest() == case.right, "something of a wrong pass survived"


def test_a_comparison_finds_a_flipped_result_and_nothing_in_a_right_one(case: Case) -> None:
    case.rig.execute()
    results = {
        name: np.array(array, copy=True)
        for name, array in case.task.buffers().items()
        if name.startswith("result")
    }
    assert case.task.compare(results) is None
    flip = choose_flip(case.task, Random(21), "result")
    flip.apply(case.task)
    difference = case.task.compare(results)
    flip.apply(case.task)
    assert difference is not None
    assert difference.elements >= 1
    assert difference.expected_bits != difference.found_bits


def test_work_and_readings_are_finite_numbers_with_names(case: Case) -> None:
    assert case.task.work_per_pass > 0
    assert math.isfinite(case.task.work_per_pass)
    for name, value in case.task.readings.items():
        assert re.fullmatch(r"[a-z0-9_]+", name)
        assert math.isfinite(value), name


def measured_bytes(case: Case) -> int:
    """Peak of what a new task and a pass allocate, by tracemalloc (which numpy reports to)."""
    tracemalloc.start()
    try:
        rig = Rig(case.workload, case.parameters)
        rig.execute()
        rig.task.digest()
        rig.task.invariants()
        peak = tracemalloc.get_traced_memory()[1]
        rig.close()
    finally:
        tracemalloc.stop()
    return peak


def test_memory_told_is_memory_taken(case: Case) -> None:
    told, taken = case.workload.memory_bytes(case.parameters), measured_bytes(case)
    assert taken <= 1.25 * told + MIB, (taken, told)
    assert told < psutil.virtual_memory().total
    if case.workload.family not in ALLOCATE_ELSEWHERE:
        # Work areas of C libraries are told but not traced; they are a few times a buffer.
        assert told <= 4 * taken + MIB, (taken, told)


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module.split(".")[0])
    return found


def test_workloads_know_nothing_of_the_harness() -> None:
    folder = Path(registry.__file__).parent
    modules = sorted(folder.rglob("*.py"))
    assert len(modules) > 10
    assert {path.name: imports_of(path) & {"harness", "reports"} for path in modules} == {
        path.name: set() for path in modules
    }


def test_listing_names_imports_no_workload() -> None:
    code = "import sys, workloads.registry as r; r.names(); print('numpy' in sys.modules)"
    root = Path(registry.__file__).parent.parent
    environment = {**os.environ, "PYTHONPATH": str(root)}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"
