"""Shipped goldens hold for other instruction sets and BLAS kernels than this machine would pick.

Each path runs in a process of its own with a compile cache of its own. By default the loads that
compile quickly stand for the others; a fault campaign (``RIGPROOF_FLIPS`` of 1000 or more) takes
all of them.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest
from bit_flips import FLIPS
from numeric_loads import BY_NAME

ALL = tuple(name for name, load in BY_NAME.items() if load.workload().shipped_golden)
QUICK = ("fma-fp64", "ntt", "heat-stencil")
COMPILED = ALL if FLIPS >= 1000 else QUICK

RUN = """
import sys
from workloads import registry
for name in sys.argv[1:]:
    workload = registry.load(name)
    if workload.availability().available:
        parameters = workload.complete({"n": 512} if name.startswith("matmul") else {})
        task = workload.prepare(parameters, 1)
        task.execute()
        print(name, task.digest() == workload.golden(parameters, 1), workload.code_path(parameters))
    else:
        print(name, "not available")
"""


def run(names: tuple[str, ...], **settings: str) -> dict[str, str]:
    """What each load said under these settings of the environment."""
    told = subprocess.run(
        [sys.executable, "-c", RUN, *names],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])} | settings,
    )
    return dict(line.split(" ", 1) for line in told.stdout.splitlines())


def require_x86() -> None:
    if platform.machine().lower() not in ("x86_64", "amd64"):
        pytest.skip("names instruction sets of x86-64")


def test_goldens_hold_for_256_bit_code(tmp_path: Path) -> None:
    require_x86()
    if "avx2" not in Path("/proc/cpuinfo").read_text(encoding="ascii", errors="replace"):
        pytest.skip("this CPU has no AVX2")
    features = "+sse4.2,+avx,+avx2,+fma,+bmi,+bmi2"
    told = run(
        COMPILED,
        NUMBA_CPU_NAME="haswell",
        NUMBA_CPU_FEATURES=features,
        NUMBA_CACHE_DIR=str(tmp_path),
    )
    assert told["fma-fp64"] == "True 256-bit vectors"
    assert {name: answer.split()[0] for name, answer in told.items()} == dict.fromkeys(
        COMPILED, "True"
    )


def test_goldens_hold_for_128_bit_code_and_loads_that_need_more_say_so(tmp_path: Path) -> None:
    require_x86()
    told = run(
        COMPILED,
        NUMBA_CPU_NAME="x86-64",
        NUMBA_CPU_FEATURES="+sse2",
        NUMBA_CACHE_DIR=str(tmp_path),
    )
    assert told["fma-fp64"] == "not available"
    others = {name: answer.split()[0] for name, answer in told.items() if "fma" not in name}
    assert others == dict.fromkeys([name for name in COMPILED if "fma" not in name], "True")


@pytest.mark.parametrize("kernel", ["Prescott", "Haswell"])
def test_goldens_of_the_exact_multiply_hold_for_other_blas_kernels(kernel: str) -> None:
    """Where the BLAS is not OpenBLAS the setting has no effect and this is one more pass."""
    require_x86()
    told = run(("matmul-fp64", "matmul-fp32"), OPENBLAS_CORETYPE=kernel)
    assert [answer.split()[0] for answer in told.values()] == ["True", "True"]
