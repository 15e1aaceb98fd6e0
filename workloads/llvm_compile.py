"""`compile-llvm`: the same optimising compiler on every platform, through llvmlite.

A pass parses a module of seeded synthetic functions, verifies it, runs the -O2 pipeline of LLVM's
new pass manager and emits an object file. The target is fixed (the baseline of the machine's
architecture, not the CPU at hand), so that every machine of one architecture and operating system
does the same work and makes the same bytes.

Sources: Lattner and Adve (2004), "LLVM: a compilation framework for lifelong program analysis and
transformation", CGO'04; generated programs whose answer is known as a check of a compiler: McKeeman
(1998), "Differential testing for software", Digital Technical Journal 10(1).
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, ClassVar

from workloads import programs, programs_ir, programs_seeded
from workloads.children import Children
from workloads.compiling import DRIVER_SEED, CompileTask, answer_finding
from workloads.contract import (
    AVAILABLE,
    Availability,
    Finding,
    Parameter,
    Parameters,
    Task,
    Value,
    Workload,
)

_SPEED_LEVEL = 2
_RUN_TIMEOUT_SECONDS = 60.0
_OBJECT_ROOM_BYTES_PER_IR_BYTE = 4
#: The baseline CPU by the architecture in the triple; "generic" elsewhere.
_BASELINE_CPU = {"x86_64": "x86-64"}


class Compiler:
    """LLVM for one fixed target. Contexts and pipelines are new each time: nothing carries over."""

    def __init__(self) -> None:
        from llvmlite import binding

        # llvmlite 0.44 and older ask for this call; newer ones warn that it does nothing.
        if binding.llvm_version_info[0] < 20:
            binding.initialize()
        binding.initialize_native_target()
        binding.initialize_native_asmprinter()
        self._binding = binding
        self.triple: str = binding.get_process_triple()
        self.cpu = _BASELINE_CPU.get(self.triple.split("-", maxsplit=1)[0], "generic")
        self._machine = binding.Target.from_triple(self.triple).create_target_machine(
            cpu=self.cpu, features="", opt=_SPEED_LEVEL, reloc="pic", codemodel="small"
        )
        self._layout = str(self._machine.target_data)

    def parse(self, text: str) -> Any:
        """The verified module of IR `text`. Raises RuntimeError with LLVM's message."""
        module = self._binding.parse_assembly(text, self._binding.create_context())
        module.triple, module.data_layout = self.triple, self._layout
        module.verify()
        return module

    def optimise(self, module: Any) -> None:
        """The pipeline of clang -O2 over `module`."""
        options = self._binding.create_pipeline_tuning_options(speed_level=_SPEED_LEVEL)
        options.loop_vectorization = options.slp_vectorization = True
        options.loop_interleaving = options.loop_unrolling = True
        builder = self._binding.create_pass_builder(self._machine, options)
        pipeline = builder.getModulePassManager()
        pipeline.run(module, builder)
        self._dispose(pipeline)

    def _dispose(self, pipeline: Any) -> None:
        """Free a pipeline at once: 50 KiB and more a pass add up in a soak of hours.

        In llvmlite 0.44 to 0.50 `close` reaches ObjectRef's empty method instead of the one that
        frees (the base classes stand in that order), so the right one is called by name.

        What stays is the 1.5 KiB of call-back lists that `LLVMPY_CreatePassBuilder` makes with each
        builder and nothing frees. One builder for all passes would keep no more, but each run
        hangs call-backs into those lists that point at instrumentation which ends with the run
        (ffi/newpassmanagers.cpp): passes become slower and slower (twice the time after 1,700) and
        read freed memory. So a pass compiles enough code that the loss is small: see `functions`.
        """
        self._binding.newpassmanagers.NewPassManager._dispose(pipeline)
        pipeline.detach()

    def emit(self, module: Any) -> bytes:
        """The object file of `module`."""
        code: bytes = self._machine.emit_object(module)
        return code


def count_instructions(module: Any) -> int:
    """IR instructions in all functions of `module`."""
    return sum(
        sum(1 for _ in block.instructions)
        for function in module.functions
        for block in function.blocks
    )


class LlvmTask(CompileTask):
    """One lane's module as text, and the object file made from it."""

    what = "module"

    def __init__(self, compiler: Compiler, units: tuple[programs.Unit, ...]) -> None:
        text = programs_ir.module(units)
        super().__init__(units, text, _OBJECT_ROOM_BYTES_PER_IR_BYTE * len(text))
        self._compiler = compiler
        self._children = Children()
        self.work_per_pass = float(count_instructions(compiler.parse(text)))

    def execute(self) -> None:
        """Parse, verify, optimise, emit. What LLVM rejects gives an empty object, not a crash."""
        self._trouble = ""
        code = b""
        try:
            module = self._compiler.parse(self._text.tobytes().decode("latin-1"))
            self._compiler.optimise(module)
            code = self._compiler.emit(module)
            module.close()
        except RuntimeError as error:
            self._trouble = " ".join(str(error).split())
        self._object.fill(code)

    def _answer(self) -> Finding:
        script = Path(__file__).with_name("object_runner.py")
        # -P: the script's folder must not come before the standard library.
        argv = [sys.executable, "-P", str(script), programs_ir.DRIVER, str(DRIVER_SEED)]
        code = self._object.content.tobytes()
        ended = self._children.run(argv, given=code, timeout_seconds=_RUN_TIMEOUT_SECONDS)
        return answer_finding(ended.output, ended.describe(), self._units)

    def close(self) -> None:
        """Kill a compiled program that still runs."""
        self._children.close()


class LlvmCompileWorkload(Workload):
    """LLVM -O2 on synthetic functions."""

    name = "compile-llvm"
    version = 2
    family = "compile"
    unit = "IR instruction"
    purpose = "an optimising compiler: pointer chasing, hashing, unpredictable branches, much code"
    check = "digest of the object file; the compiled program is run and its answer checked"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "functions": Parameter(32, "functions in the module one pass compiles", low=2, high=400)
    }
    small: ClassVar[Mapping[str, Value]] = {"functions": 4}

    def availability(self) -> Availability:
        """The new pass manager came to llvmlite with 0.44."""
        from llvmlite import __version__, binding

        if hasattr(binding, "create_pass_builder"):
            return AVAILABLE
        return Availability(False, f"llvmlite {__version__} has no new pass manager; needs 0.44")

    def memory_bytes(self, parameters: Parameters) -> int:
        """LLVM itself, and about 1 MiB a function while it optimises (measured, rounded up).

        By the default LLVM keeps some 20 MB an hour for good (a pass of 0.3 s keeps 1.5 KiB).
        """
        return (128 + int(str(parameters["functions"]))) << 20

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """Generate the module of `seed`."""
        functions = int(str(parameters["functions"]))
        return LlvmTask(Compiler(), (programs_seeded.unit("unit", seed, functions),))

    def code_path(self, parameters: Parameters) -> str:
        """The compiler's version and its target."""
        from llvmlite import __version__, binding

        version = ".".join(str(part) for part in binding.llvm_version_info)
        compiler = Compiler()
        return f"LLVM {version} (llvmlite {__version__}) -O2 {compiler.triple} {compiler.cpu}"

    def warm(self) -> None:
        """Load LLVM and run every part of a pass once."""
        task = self.prepare(self.complete({"functions": 2}), seed=1)
        task.execute()
        task.digest()
