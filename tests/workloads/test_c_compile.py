"""The C workload: determinism, the linked program's answer, a missing compiler, detection.

Where there is no C compiler, the tests that need one check that the workload says so instead.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from bit_flips import FLIPS, flip_inputs, flip_results

from workloads import c_compile, programs, programs_c, programs_seeded
from workloads.c_compile import CCompileTask, CCompileWorkload, Toolchain, find_compiler


def prepared(seed: int = 1, functions: int = 2) -> CCompileTask:
    workload = CCompileWorkload()
    task = workload.prepare(workload.complete({"functions": functions}), seed)
    assert isinstance(task, CCompileTask)
    return task


@pytest.fixture
def compiler() -> str:
    available = CCompileWorkload().availability()
    if not available.available:
        assert available.reason
        pytest.skip(f"this system has no C compiler: {available.reason}")
    found = find_compiler()
    assert found is not None
    return found


@pytest.fixture
def task(compiler: str) -> Iterator[CCompileTask]:
    prepared_task = prepared()
    prepared_task.execute()
    yield prepared_task
    prepared_task.close()


@pytest.fixture
def toolchain(compiler: str) -> Iterator[Toolchain]:
    with Toolchain(compiler) as made:
        yield made


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_compiled_project_answers_what_the_tree_means(toolchain: Toolchain, seed: int) -> None:
    units = tuple(programs_seeded.unit(f"u{number}", seed + number, 4) for number in range(3))
    (toolchain.folder / programs_c.HEADER_NAME).write_text(programs_c.header(units))
    sources = {f"{unit.name}.o": programs_c.source(unit) for unit in units}
    sources["main.o"] = programs_c.driver(units, seed)
    for name, source in sources.items():
        assert toolchain.compile(source.encode(), name).status == 0
    assert toolchain.link(list(sources), "program").status == 0
    ended = toolchain.run(str(toolchain.folder / "program"))
    assert ended.output.decode() == f"{programs.run(units, seed):#018x}\n"


def test_the_source_is_strictly_conforming_c11(toolchain: Toolchain) -> None:
    units = (programs_seeded.unit("u", 4, 8),)
    (toolchain.folder / programs_c.HEADER_NAME).write_text(programs_c.header(units))
    for source in (programs_c.source(units[0]), programs_c.driver(units, 1)):
        argv = ("-std=c11", "-pedantic-errors", "-fsyntax-only", "-x", "c", "-")
        ended = toolchain.run(toolchain._compiler, *argv, given=source.encode())
        assert ended.status == 0, ended.error_tail


def test_every_pass_in_every_folder_makes_the_same_object(task: CCompileTask) -> None:
    first = task.buffers()["result_object"].tobytes()
    task.execute()
    assert task.buffers()["result_object"].tobytes() == first
    other = prepared()
    other.execute()
    assert other.buffers()["result_object"].tobytes() == first
    assert other.digest() == task.digest()
    other.close()


def test_the_work_is_the_lines_of_the_unit(task: CCompileTask) -> None:
    source = task.buffers()["input_unit"].tobytes().decode()
    assert task.work_per_pass == len(source.splitlines())


def test_the_invariants_of_a_right_pass_hold(task: CCompileTask) -> None:
    findings = task.invariants()
    assert [finding.name for finding in findings] == ["unit compiles", "compiled program's answer"]
    assert all(finding.ok for finding in findings)
    task.execute()
    assert all(finding.ok for finding in task.invariants())


def test_a_damaged_object_is_found_out_by_the_linker_or_the_answer(task: CCompileTask) -> None:
    task.buffers()["result_object"][::5] ^= 0xFF
    assert not task.invariants()[-1].ok


def test_a_source_that_the_compiler_refuses_gives_an_empty_object_and_the_reason(
    task: CCompileTask,
) -> None:
    golden = task.digest()
    task.buffers()["input_unit"][:3] = ord("?")
    task.execute()
    assert task.buffers()["result_object"].size == 0
    assert task.digest() != golden
    (finding,) = task.invariants()
    assert not finding.ok
    assert finding.detail.startswith("exit status 1: ")


def test_every_flip_in_the_object_is_caught(task: CCompileTask) -> None:
    campaign = flip_results(task)
    assert campaign.caught == campaign.flips


def test_every_flip_in_the_source_that_changes_the_object_is_caught(task: CCompileTask) -> None:
    """Rate above 80 % (seen: 93 % of 300); the rest only renames, which leaves no trace."""
    campaign = flip_inputs(task, flips=max(FLIPS // 4, 50))
    assert campaign.missed == 0
    assert campaign.caught / campaign.flips > 0.8


def test_a_compiler_that_vanishes_is_a_wrong_result_not_a_crash(task: CCompileTask) -> None:
    golden = task.digest()
    task._toolchain._compiler = "/no/such/compiler"
    task.execute()
    assert task.digest() != golden
    assert "could not be started" in task.invariants()[0].detail


def test_closing_removes_the_folder(compiler: str) -> None:
    task = prepared()
    folder: Path = task._toolchain.folder
    assert folder.is_dir()
    task.close()
    assert not folder.exists()


def test_the_code_path_names_compiler_target_and_flags(compiler: str) -> None:
    path = CCompileWorkload().code_path({})
    assert ", -std=c11 -O2 -ffp-contract=off -w, " in path
    assert " for " in path


def test_the_code_path_names_the_assembler_by_its_own_version(toolchain: Toolchain) -> None:
    told = toolchain.assembler()
    own = toolchain.run("as", "--version").output.decode().splitlines()
    assert told == own[0] if own else told.startswith("no assembler")
    assert told in CCompileWorkload().code_path({})


FAKE_CC = """#!/bin/sh
case "$*" in
  *--version) echo "cc 1.0" ;;
  -dumpmachine) echo "any-machine" ;;
  -print-prog-name=as) echo "{folder}/as" ;;
  *-E*) echo "{headers}" ;;
esac
"""


@pytest.mark.parametrize("changed", ["assembler", "headers"])
def test_another_assembler_or_other_headers_are_another_code_path(
    tmp_path: Path, changed: str
) -> None:
    paths = []
    for state in ("old", "new"):
        folder = tmp_path / state
        folder.mkdir()
        compiler, assembler = folder / "cc", folder / "as"
        headers = state if changed == "headers" else "same"
        compiler.write_text(FAKE_CC.format(folder=folder, headers=headers))
        version = state if changed == "assembler" else "same"
        assembler.write_text(f"#!/bin/sh\necho 'assembler {version}'\n")
        for program in (compiler, assembler):
            program.chmod(0o755)
        paths.append(c_compile._described(str(compiler)))
    assert paths[0] != paths[1]
    assert paths[0].startswith("cc 1.0 for any-machine, ")


def test_without_a_compiler_it_is_not_available_and_says_why(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    available = CCompileWorkload().availability()
    assert (available.available, available.reason) == (
        False,
        "no C compiler found (cc, gcc, clang)",
    )
    assert CCompileWorkload().code_path({}) == "no C compiler"
    with pytest.raises(ValueError, match="needs a C compiler on the PATH"):
        prepared()


def test_a_compiler_that_cannot_build_is_not_available(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    broken = tmp_path / "cc"
    broken.write_text("#!/bin/sh\necho 'stdio.h: No such file' >&2\nexit 1\n")
    broken.chmod(0o755)
    monkeypatch.setattr(c_compile, "find_compiler", lambda: str(broken))
    available = CCompileWorkload().availability()
    assert not available.available
    assert "cannot build a C program: exit status 1: stdio.h: No such file" in available.reason


def test_variables_that_would_change_the_code_do_not_reach_the_compiler(
    monkeypatch: pytest.MonkeyPatch, compiler: str
) -> None:
    monkeypatch.setenv("CPATH", "/somewhere")
    monkeypatch.setenv("HARMLESS", "yes")
    with Toolchain(compiler) as toolchain:
        seen = toolchain.run("/usr/bin/env").output.decode().splitlines()
    assert not any(line.startswith("CPATH=") for line in seen)
    assert {"HARMLESS=yes", "CCACHE_DISABLE=1", "LC_ALL=C"} <= set(seen)
