"""`compile-c`: the system's C compiler on a generated, seeded project.

A pass compiles one unit of the project at -O2, fed through standard input; one lane keeps one
compiler busy. The object file must come out the same every time. When the golden is agreed (and
when it differs) the rest of the project is compiled too, linked, run, and its answer compared
with what the program means (`programs.run`).

Sources: the language, ISO/IEC 9899:2011; generated programs whose answer is known as a check of a
compiler: McKeeman (1998), "Differential testing for software", Digital Technical Journal 10(1).
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import ClassVar

import numpy as np

from workloads import programs, programs_c, programs_seeded
from workloads.children import Children, Ended
from workloads.compiling import DRIVER_SEED, CompileTask, answer_finding
from workloads.contract import (
    AVAILABLE,
    Availability,
    Finding,
    Parameter,
    Parameters,
    Task,
    Workload,
)
from workloads.digest import fold

_COMPILERS = ("cc", "gcc", "clang")
#: No -g (it embeds the folder), no link-time optimisation (it embeds a random seed).
_FLAGS = ("-std=c11", "-O2", "-ffp-contract=off", "-w")
#: What the generated project takes from the C library.
_INCLUDES = b"#include <inttypes.h>\n#include <stdint.h>\n#include <stdio.h>\n"
_TIMEOUT_SECONDS = 60.0
_OTHER_UNITS = 2
_OTHER_UNITS_FUNCTIONS = 3
_OBJECT_ROOM_BYTES = 16 << 20
#: Variables that would change what is compiled, or spare the compiler its work (a cache).
_UNWANTED = ("CPATH", "C_INCLUDE_PATH", "LIBRARY_PATH", "COMPILER_PATH", "GCC_EXEC_PREFIX")


def find_compiler() -> str | None:
    """Path of the system's C compiler, or None."""
    return next((path for name in _COMPILERS if (path := shutil.which(name))), None)


class Toolchain:
    """The compiler in a folder of its own; a context that removes the folder."""

    def __init__(self, compiler: str) -> None:
        self._compiler = compiler
        self._children = Children()
        self.folder = Path(tempfile.mkdtemp(prefix="rigproof-compile-"))
        kept = {name: value for name, value in os.environ.items() if name not in _UNWANTED}
        self._environment = {
            **kept,
            "LC_ALL": "C",
            "TMPDIR": str(self.folder),
            "CCACHE_DISABLE": "1",
        }

    def __enter__(self) -> Toolchain:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def compile(self, source: bytes, name: str) -> Ended:
        """Compile C `source` into the folder's file `name`."""
        (self.folder / name).unlink(missing_ok=True)
        return self.run(self._compiler, *_FLAGS, "-x", "c", "-c", "-", "-o", name, given=source)

    def link(self, objects: list[str], name: str) -> Ended:
        """Link the folder's files `objects` into the program `name`."""
        (self.folder / name).unlink(missing_ok=True)
        return self.run(self._compiler, *objects, "-o", name)

    def run(self, *argv: str, given: bytes = b"") -> Ended:
        """Run a program in the folder."""
        return self._children.run(
            argv,
            timeout_seconds=_TIMEOUT_SECONDS,
            given=given,
            folder=self.folder,
            environment=self._environment,
        )

    def version(self) -> str:
        """First line of the compiler's version, and its target."""
        lines = self.run(self._compiler, "--version").output.decode(errors="replace").splitlines()
        target = self.run(self._compiler, "-dumpmachine").output.decode(errors="replace").strip()
        return f"{lines[0] if lines else self._compiler} for {target or 'unknown target'}"

    def assembler(self) -> str:
        """First line of the version of the assembler that the compiler hands its output to."""
        asked = self.run(self._compiler, "-print-prog-name=as").output.decode(errors="replace")
        ended = self.run(asked.strip() or "as", "--version")
        lines = ended.output.decode(errors="replace").splitlines()
        return lines[0] if ended.status == 0 and lines else f"no assembler ({ended.describe()})"

    def headers(self) -> str:
        """16 hexadecimal digits of a digest of the C library's headers that projects include."""
        ended = self.run(self._compiler, *_FLAGS, "-E", "-P", "-x", "c", "-", given=_INCLUDES)
        return hashlib.sha256(ended.output).hexdigest()[:16]

    def close(self) -> None:
        """Kill what still runs, remove the folder."""
        self._children.close()
        shutil.rmtree(self.folder, ignore_errors=True)


class CCompileTask(CompileTask):
    """One lane's project; a pass compiles its first unit."""

    what = "unit"

    def __init__(self, toolchain: Toolchain, units: tuple[programs.Unit, ...]) -> None:
        source = programs_c.source(units[0])
        super().__init__(units, source, _OBJECT_ROOM_BYTES)
        self._toolchain = toolchain
        self.work_per_pass = float(source.count("\n"))
        header = programs_c.header(units)
        (toolchain.folder / programs_c.HEADER_NAME).write_text(header, encoding="ascii")

    def execute(self) -> None:
        """Compile the unit. What the compiler rejects gives an empty object, not a crash."""
        ended = self._toolchain.compile(self._text.tobytes(), "first.o")
        self._trouble = "" if ended.status == 0 else _failure(ended)
        made = self._toolchain.folder / "first.o"
        self._object.fill(made.read_bytes() if ended.status == 0 else b"")

    def _answer(self) -> Finding:
        (self._toolchain.folder / "first.o").write_bytes(self._object.content.tobytes())
        objects = ["first.o"]
        for name, source in self._other_sources():
            objects.append(name)
            ended = self._toolchain.compile(source.encode("ascii"), name)
            if ended.status != 0:
                return Finding("project compiles", False, f"{name}: {_failure(ended)}")
        ended = self._toolchain.link(objects, "program")
        if ended.status != 0:
            return Finding("project links", False, _failure(ended))
        return self._run_program()

    def _run_program(self) -> Finding:
        ended = self._toolchain.run(str(self._toolchain.folder / "program"))
        return answer_finding(ended.output, ended.describe(), self._units)

    def _other_sources(self) -> list[tuple[str, str]]:
        others = [(f"{unit.name}.o", programs_c.source(unit)) for unit in self._units[1:]]
        return [*others, ("main.o", programs_c.driver(self._units, DRIVER_SEED))]

    def close(self) -> None:
        """Kill the compiler, remove the folder."""
        self._toolchain.close()


def _failure(ended: Ended) -> str:
    last = ended.error_tail.splitlines()[-1:] or ["no message"]
    return f"{ended.describe()}: {last[0]}"


class CCompileWorkload(Workload):
    """The system's C compiler at -O2 on a generated unit."""

    name = "compile-c"
    version = 1
    family = "compile"
    unit = "line"
    purpose = "the system's own compiler: process starts, page faults, branches, much code"
    check = "digest of the object file; the linked program is run and its output checked"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "functions": Parameter(16, "functions in the unit one pass compiles", low=2, high=400)
    }

    def availability(self) -> Availability:
        """A compiler that compiles and links a program which includes the C library's headers."""
        compiler = find_compiler()
        if compiler is None:
            return Availability(False, f"no C compiler found ({', '.join(_COMPILERS)})")
        with Toolchain(compiler) as toolchain:
            ended = _hello(toolchain)
        if ended.status == 0:
            return AVAILABLE
        return Availability(False, f"{compiler} cannot build a C program: {_failure(ended)}")

    def memory_bytes(self, parameters: Parameters) -> int:
        """The compiler's own memory: 64 MiB and about 1 MiB a function (measured, rounded up)."""
        return (64 + int(str(parameters["functions"])) << 20) + _OBJECT_ROOM_BYTES

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """Generate the project of `seed`. Raises ValueError where there is no compiler."""
        compiler = find_compiler()
        if compiler is None:
            raise ValueError(f"compile-c needs a C compiler on the PATH: {', '.join(_COMPILERS)}")
        sizes = [int(str(parameters["functions"])), *[_OTHER_UNITS_FUNCTIONS] * _OTHER_UNITS]
        units = tuple(
            programs_seeded.unit(f"unit{number}", seed + number, functions)
            for number, functions in enumerate(sizes)
        )
        return CCompileTask(Toolchain(compiler), units)

    def code_path(self, parameters: Parameters) -> str:
        """The compiler's version, target and flags, its assembler, and the system's headers.

        Not the linker: it makes the program that is run, not the object file that is digested.
        """
        compiler = find_compiler()
        return "no C compiler" if compiler is None else _described(compiler)

    def warm(self) -> None:
        """Compile the digest's code; the compiler itself is another program."""
        fold(np.zeros(1, np.uint8))


@cache
def _described(compiler: str) -> str:
    with Toolchain(compiler) as toolchain:
        more = f"{toolchain.assembler()}, headers {toolchain.headers()}"
        return f"{toolchain.version()}, {' '.join(_FLAGS)}, {more}"


def _hello(toolchain: Toolchain) -> Ended:
    source = _INCLUDES + b'int main(void) { return puts("") < 0; }\n'
    ended = toolchain.compile(source, "hello.o")
    return toolchain.link(["hello.o"], "hello") if ended.status == 0 else ended
