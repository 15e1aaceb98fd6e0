"""The house keeps its floors: no room imports from above, and nothing imports in a circle."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parents[1]

#: Room -> floor. A module may import its own floor and those below, at import time or late.
FLOORS = {
    name: floor
    for floor, names in enumerate(
        [
            "clock errors units results compared outcome board cautions parent_death sweeps",
            "statistics",
            "sensors machine record",
            "criteria profile",
            "judgement lanes",
            "plan agreement assembly happenings phases conductor",
            "startup context observing scratch interruption watchers runner",
            "finishing looks detection running resuming requalifying recovery selftest",
            "cli pytest_plugin",
        ]
    )
    for name in names.split()
}
SOURCES = sorted(
    path for room in ("harness", "workloads", "reports") for path in (HERE / room).rglob("*.py")
)


def imports(path: Path) -> Iterator[str]:
    """Everything a file imports for running, wherever it stands; typing-only imports are free."""
    tree = ast.parse(path.read_text("utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def room(module: str) -> str:
    """The room of a dotted name below harness."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


def harness_rooms(path: Path) -> set[str]:
    found = {room(name) for name in imports(path) if name.startswith("harness.")}
    return {name for name in found if name in FLOORS}


@pytest.mark.parametrize("path", [p for p in SOURCES if p.is_relative_to(HERE / "harness")])
def test_a_room_imports_only_from_its_own_floor_and_below(path: Path) -> None:
    own = path.relative_to(HERE / "harness").parts[0].removesuffix(".py")
    if own == "__init__":
        return
    assert own in FLOORS, f"{own} has no floor: give it one here and in DEVELOPERS.md"
    above = {name for name in harness_rooms(path) if FLOORS[name] > FLOORS[own]}
    assert not above, f"{path.name} reaches up to {sorted(above)}"


@pytest.mark.parametrize("path", [p for p in SOURCES if p.is_relative_to(HERE / "workloads")])
def test_workloads_know_nothing_of_the_harness(path: Path) -> None:
    assert not [name for name in imports(path) if name.split(".")[0] in {"harness", "reports"}]


@pytest.mark.parametrize("path", [p for p in SOURCES if p.is_relative_to(HERE / "reports")])
def test_reports_see_the_ground_floor_only(path: Path) -> None:
    assert all(FLOORS[name] == 0 for name in harness_rooms(path))
    assert not [name for name in imports(path) if name.split(".")[0] == "workloads"]


def test_only_the_clock_module_reads_clocks() -> None:
    readers = {"monotonic_ns", "perf_counter", "perf_counter_ns", "time_ns", "monotonic"}
    found = []
    for path in SOURCES:
        if path.name in {"clock.py"}:
            continue
        tree = ast.parse(path.read_text("utf-8"))
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id == "time"
                and node.attr in readers
            ):
                found.append(f"{path.relative_to(HERE)}:{node.lineno}")
    assert found == []


def test_modules_stay_under_five_hundred_lines() -> None:
    long = {
        str(path.relative_to(HERE)): len(path.read_text("utf-8").splitlines()) for path in SOURCES
    }
    assert {name: lines for name, lines in long.items() if lines > 500} == {}


def test_no_function_is_over_eighty_lines_and_nine_in_ten_are_under_thirty() -> None:
    sizes = [
        node.end_lineno - node.lineno + 1
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.FunctionDef) and node.end_lineno is not None
    ]
    assert max(sizes) <= 80
    assert sorted(sizes)[int(len(sizes) * 0.9)] < 30
