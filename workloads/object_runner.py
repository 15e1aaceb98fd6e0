"""Runs the driver of a compiled object file: ``python object_runner.py FUNCTION SEED < object``.

A program of its own, because an object file made by a faulty machine may crash or never return,
and the lane that made it must survive to report it. Prints the answer in hexadecimal.
"""

from __future__ import annotations

import ctypes
import sys

from llvmlite import binding


def answer(code: bytes, function: str, seed: int) -> int:
    """What ``uint64 function(uint64)`` of the object file `code` returns for `seed`."""
    binding.initialize_native_target()
    binding.initialize_native_asmprinter()
    target = binding.Target.from_default_triple()
    engine = binding.create_mcjit_compiler(
        binding.parse_assembly(""), target.create_target_machine()
    )
    engine.add_object_file(binding.ObjectFileRef.from_data(code))
    engine.finalize_object()
    address = engine.get_function_address(function)
    if not address:
        raise SystemExit(f"the object file has no function {function}")
    call = ctypes.CFUNCTYPE(ctypes.c_uint64, ctypes.c_uint64)(address)
    return int(call(seed))


def _no_core_file() -> None:
    """A crash here is an expected answer; it should not fill the disk. POSIX only."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


if __name__ == "__main__":
    _no_core_file()
    sys.stdout.write(f"{answer(sys.stdin.buffer.read(), sys.argv[1], int(sys.argv[2])):#018x}\n")
