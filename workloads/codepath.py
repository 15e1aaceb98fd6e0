"""What decides the last bit of a library's result: its version and the kernel it picked."""

from __future__ import annotations


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
