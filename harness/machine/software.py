"""Facts of the software that a result may depend on: interpreter, libraries, the BLAS's kernel."""

from __future__ import annotations

import platform
from importlib import metadata

from harness.machine.fact_values import FactValue, unknown

_LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "psutil", "zstandard")


def software_facts() -> dict[str, FactValue]:
    """Versions, the C compiler of the interpreter, LLVM, and which BLAS kernel runs."""
    return {
        "python": platform.python_version(),
        "python_implementation": platform.python_implementation(),
        "python_compiler": platform.python_compiler(),
        "c_library": " ".join(platform.libc_ver()).strip() or unknown("not given"),
        "libraries": {name: _version(name) for name in _LIBRARIES},
        "blas": _blas(),
        "compiler": _compiler(),
    }


def _version(name: str) -> FactValue:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return unknown("not installed")


def _blas() -> FactValue:
    """The BLAS library numpy loads, and the code path it has chosen for this processor."""
    try:
        import numpy as np  # noqa: F401 - loads the library that is to be looked at
        from threadpoolctl import threadpool_info
    except ImportError as error:
        return unknown(str(error))
    found = [it for it in threadpool_info() if it.get("user_api") == "blas"]
    if not found:
        return unknown("numpy's BLAS does not tell what it is")
    # scipy brings a library of its own: numpy's is the one that lies in a folder named after it.
    first = min(found, key=lambda it: ("numpy" not in str(it.get("filepath")), str(it)))
    return {
        "library": first.get("internal_api"),
        "version": first.get("version"),
        "kernel": first.get("architecture"),
    }


def _compiler() -> FactValue:
    """The optimising compiler behind the compiled workloads, and the processor it aims at."""
    try:
        import llvmlite.binding as llvm
    except ImportError as error:
        return unknown(str(error))
    return {
        "name": "LLVM",
        "version": ".".join(str(part) for part in llvm.llvm_version_info),
        "target": llvm.get_host_cpu_name(),
    }
