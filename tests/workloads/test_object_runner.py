"""Running an object file's function, in this process and as the program the lanes start."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from workloads import object_runner
from workloads.llvm_compile import Compiler

SCRIPT = Path(object_runner.__file__)
DOUBLE = "define i64 @double(i64 %n) {\n %d = mul i64 %n, 2\n ret i64 %d\n}"
CRASH = """
declare void @llvm.trap()
define i64 @double(i64 %n) {
  call void @llvm.trap()
  ret i64 0
}
"""


def object_of(text: str) -> bytes:
    compiler = Compiler()
    return compiler.emit(compiler.parse(text))


def run_script(code: bytes, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    argv = [sys.executable, "-P", str(SCRIPT), *arguments]
    return subprocess.run(argv, input=code, capture_output=True, check=False, timeout=60)


def test_the_answer_is_what_the_function_returns_modulo_two_to_the_64() -> None:
    code = object_of(DOUBLE)
    assert object_runner.answer(code, "double", 21) == 42
    assert object_runner.answer(code, "double", (1 << 63) + 1) == 2


def test_a_missing_function_is_told() -> None:
    with pytest.raises(SystemExit, match="the object file has no function triple"):
        object_runner.answer(object_of(DOUBLE), "triple", 1)


def test_the_program_prints_the_answer_in_hexadecimal() -> None:
    ended = run_script(object_of(DOUBLE), "double", "21")
    assert (ended.returncode, ended.stdout) == (0, b"0x000000000000002a\n")


def test_code_that_crashes_takes_only_the_program_down() -> None:
    ended = run_script(object_of(CRASH), "double", "1")
    assert ended.returncode != 0
    assert ended.stdout == b""


def test_garbage_is_no_answer() -> None:
    ended = run_script(b"\x7fELF but nothing else", "double", "1")
    assert ended.returncode != 0
    assert ended.stdout == b""
