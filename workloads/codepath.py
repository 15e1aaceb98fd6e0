"""What decides the last bit of a library's result: its version and the kernel it picked."""

from __future__ import annotations

import hashlib
import re
import sys
from functools import cache
from importlib import import_module
from pathlib import Path

_MAPS = Path("/proc/self/maps")


def blas_kernel(library: str) -> str:
    """Version and kernel of the BLAS that `library` (``numpy`` or ``scipy``) brought along.

    Wheels of numpy and scipy each ship their own OpenBLAS; a system package shares one, which is
    then the answer for both. ``unknown BLAS`` where threadpoolctl knows none (e.g. Accelerate).
    """
    from threadpoolctl import threadpool_info

    found = [entry for entry in threadpool_info() if entry.get("user_api") == "blas"]
    own = [entry for entry in found if f"{library}.libs" in str(entry.get("filepath"))]
    entries = own or found
    if not entries:
        return "unknown BLAS"
    entry = entries[0]
    parts = (entry.get("internal_api"), entry.get("version"), entry.get("architecture"))
    return " ".join(str(part) for part in parts if part)


def numpy_blas() -> str:
    """numpy's version with its BLAS, e.g. ``numpy 2.1.0, openblas 0.3.27 Haswell``."""
    import numpy as np

    return f"numpy {np.__version__}, {blas_kernel('numpy')}"


def scipy_blas() -> str:
    """scipy's version with its BLAS and LAPACK."""
    import scipy
    import scipy.linalg  # loads the BLAS that is to be named

    return f"scipy {scipy.__version__}, {blas_kernel('scipy')}"


@cache
def loaded_library(extension: str, library: str) -> str:
    """The files that hold a C library which the module `extension` reaches, with their digests.

    `library` is the file's name up to its version, such as ``liblzma``. A distribution's update
    may change what a library writes and keep the version that it tells, so files are digested:

    - the extension's own, which may hold the library; where the extension is a part of the
      interpreter, the interpreter's build stands for it, which pins both;
    - the shared libraries of that name that this process has mapped (``/proc/self/maps``). Where
      the system does not tell what is mapped, that is said instead.
    """
    place = getattr(import_module(extension), "__file__", None)
    own = f"Python {' '.join(sys.version.split())}" if place is None else _named(Path(place))
    mapped = mapped_files(library)
    if mapped is None:
        return f"{own}, {library} not known"
    return ", ".join([own, *map(_named, mapped)])


def mapped_files(library: str) -> list[Path] | None:
    """The shared libraries of this name that this process has mapped; None where nobody tells."""
    name = re.compile(rf"/.*/{re.escape(library)}(?![A-Za-z0-9_])[^/\n]*\.so[^/\n]*$", re.MULTILINE)
    try:
        maps = _MAPS.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    return sorted({Path(path) for path in name.findall(maps)})


def _named(path: Path) -> str:
    return f"{path.name} {file_digest(path)}"


def file_digest(path: Path) -> str:
    """16 hexadecimal digits of the file's SHA-256, or why there are none."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    except OSError as error:
        # The file was replaced while the old one is still in use; the new one would mislead.
        return f"without digest ({error.strerror})"
