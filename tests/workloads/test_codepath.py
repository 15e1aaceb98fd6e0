"""What a golden that lanes agree on is keyed by."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy
import threadpoolctl

from workloads.codepath import blas_kernel, numpy_blas, scipy_blas

BLAS = {"user_api": "blas", "internal_api": "openblas", "version": "0.3", "architecture": "Haswell"}


def test_both_libraries_are_named_with_their_versions() -> None:
    assert numpy_blas().startswith(f"numpy {np.__version__}, ")
    assert scipy_blas().startswith(f"scipy {scipy.__version__}, ")


@pytest.mark.parametrize(
    ("found", "told"),
    [
        ([], "unknown BLAS"),
        ([{"user_api": "openmp", "internal_api": "openmp"}], "unknown BLAS"),
        ([{**BLAS, "filepath": "/usr/lib/libopenblas.so"}], "openblas 0.3 Haswell"),
        (
            [
                {**BLAS, "filepath": "/env/scipy.libs/a.so", "architecture": "Zen"},
                {**BLAS, "filepath": "/env/numpy.libs/a.so"},
            ],
            "openblas 0.3 Haswell",
        ),
        ([{"user_api": "blas", "internal_api": "mkl", "version": "2024.1"}], "mkl 2024.1"),
    ],
)
def test_the_librarys_own_blas_comes_first_then_the_systems(
    monkeypatch: pytest.MonkeyPatch, found: list[dict[str, Any]], told: str
) -> None:
    monkeypatch.setattr(threadpoolctl, "threadpool_info", lambda: found)
    assert blas_kernel("numpy") == told
