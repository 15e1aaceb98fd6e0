"""Bandwidth loads beside equivalent C loops: ``python tests/bench/bench_memory.py``.

The C loops do the same work and check nothing; they are compiled by the system's C compiler with
``-O3 -march=native`` and run over the very same arrays. A pass of ours includes its verification
and digest. Ours and C run in turn (ours first in even rounds), on one core and then on all cores
at once, and the ratio of each round is taken, so that what else the machine does falls on both.

The compiler turns a plain copy into a library call that may store past the caches, which no loop of
ours does; ``library copy`` shows that figure, it is not the equivalent loop.
"""

from __future__ import annotations

import argparse
import ctypes
import multiprocessing
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.synchronize import Barrier
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

C_SOURCE = """
#include <stddef.h>
#include <stdint.h>
uint64_t read_words(const uint64_t *a, size_t n) {
    uint64_t sum = 0;
    for (size_t i = 0; i < n; i++) sum += a[i];
    return sum;
}
void write_words(uint64_t *a, size_t n, uint64_t start, uint64_t step, uint64_t mask) {
    for (size_t i = 0; i < n; i++) a[i] = (start + i * step) ^ mask;
}
void transfer(uint64_t *restrict b, const uint64_t *restrict a, size_t n, uint64_t mask) {
    for (size_t i = 0; i < n; i++) b[i] = a[i] ^ mask;
}
void copy(uint64_t *restrict b, const uint64_t *restrict a, size_t n) {
    for (size_t i = 0; i < n; i++) b[i] = a[i];
}
void multiply_add(double *restrict c, const double *restrict a, const double *restrict b,
                  size_t n, double f) {
    for (size_t i = 0; i < n; i++) c[i] = a[i] + f * b[i];
}
"""

Pass = Callable[[], Any]
KINDS = ("memory-read", "memory-write", "memory-transfer", "memory-multiply-add", "library copy")
SEED = 1


def compile_loops(folder: Path) -> Path:
    """Build the shared library; leaves with a message where there is no compiler."""
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        sys.exit("no C compiler found (cc, gcc, clang): install one to compare with")
    source, library = folder / "loops.c", folder / "loops.so"
    source.write_text(C_SOURCE)
    options = ["-O3", "-march=native", "-shared", "-fPIC"]
    subprocess.run([compiler, *options, str(source), "-o", str(library)], check=True)
    return library


def c_pass(task: Any, kind: str, library: Path) -> Pass:
    """The C loop of one pass over the arrays of `task`: as many sweeps, as many bytes."""
    loops = ctypes.CDLL(str(library))
    words = [ctypes.c_void_p(array.ctypes.data) for name, array in task.buffers().items()]
    count = ctypes.c_size_t(next(iter(task.buffers().values())).size)
    masks = [ctypes.c_uint64(mask) for mask in ((1 << 64) - 1, 0)]
    start_and_step = ctypes.c_uint64(SEED), ctypes.c_uint64(0x9E3779B97F4A7C15)

    def sweep(number: int) -> None:
        if kind == "memory-write":
            loops.write_words(words[0], count, *start_and_step, masks[number])
        elif kind == "memory-transfer":
            loops.transfer(words[1], words[0], count, masks[number])
        elif kind == "library copy":
            loops.copy(words[1], words[0], count)
        else:
            factor = ctypes.c_double((5.0, 3.0)[number])
            loops.multiply_add(words[2], words[0], words[1], count, factor)

    if kind == "memory-read":
        return lambda: loops.read_words(words[0], count)
    return lambda: [sweep(number) for number in (0, 1)]


@dataclass(frozen=True)
class Side:
    """One lane's two contestants and the bytes that either moves in a pass."""

    ours: Pass
    theirs: Pass
    pass_bytes: float

    def best_order(self, number: int) -> tuple[tuple[int, Pass], tuple[int, Pass]]:
        """Both with their column, the first one alternating."""
        pair = (0, self.ours), (1, self.theirs)
        return pair if number % 2 == 0 else (pair[1], pair[0])


def make_side(kind: str, mebibytes: int, library: Path) -> Side:
    """Prepare a lane's task and its C loop; the first pass of each warms up."""
    from workloads import registry

    load = registry.load("memory-transfer" if kind == "library copy" else kind)
    task = load.prepare(load.complete({"mebibytes": mebibytes}), SEED)

    def ours() -> None:
        task.execute()
        task.digest()

    theirs = c_pass(task, kind, library)
    theirs()
    # C leaves other words behind; one pass of ours finds them wrong, the next restores them.
    for _ in range(3):
        ours()
    return Side(ours, theirs, task.work_per_pass)


def lane(cpu: int, job: tuple[str, int, Path, int], barrier: Barrier, results: Any) -> None:
    """One process: pinned, in step with the others before every pass."""
    os.sched_setaffinity(0, {cpu})
    kind, mebibytes, library, rounds = job
    side = make_side(kind, mebibytes, library)
    times: list[list[float]] = []
    for number in range(rounds):
        row = [0.0, 0.0]
        for column, run in side.best_order(number):
            for _ in range(2):  # ours first finds what C left, then restores it
                run()
            barrier.wait()
            before = time.perf_counter()
            run()
            row[column] = time.perf_counter() - before
        times.append(row)
    results.put((side.pass_bytes, times))


def measure(kind: str, cpus: list[int], job: tuple[int, Path, int]) -> list[tuple[float, float]]:
    """Bytes per second of all lanes together, ours and C's, round by round."""
    context = multiprocessing.get_context("spawn")
    barrier, results = context.Barrier(len(cpus)), context.Queue()
    lanes = [
        context.Process(target=lane, args=(cpu, (kind, *job), barrier, results)) for cpu in cpus
    ]
    for each in lanes:
        each.start()
    found = [results.get() for _ in lanes]
    for each in lanes:
        each.join()
    pass_bytes = found[0][0]
    rounds = zip(*(times for _, times in found), strict=True)
    return [
        (sum(pass_bytes / row[0] for row in lanes_), sum(pass_bytes / row[1] for row in lanes_))
        for lanes_ in rounds
    ]


def line(kind: str, cores: int, rates: list[tuple[float, float]]) -> str:
    """One row of the table: medians, and the median of the rounds' ratios with its quartiles."""
    ours, theirs = (statistics.median(column) / 1e9 for column in zip(*rates, strict=True))
    low, middle, high = statistics.quantiles([a / b for a, b in rates], n=4)
    spread = f"[{100 * low:.1f}, {100 * high:.1f}]"
    return f"{kind:20} {cores:5} {ours:9.2f} {theirs:9.2f} {100 * middle:8.1f} % {spread:>16}"


def show(text: str) -> None:
    """Print at once, so that a long run can be watched."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--mebibytes", type=int, default=256, help="arrays of one lane together")
    parser.add_argument("--rounds", type=int, default=40)
    given = parser.parse_args()
    every = sorted(os.sched_getaffinity(0))
    show(f"{'load':20} {'cores':>5} {'ours GB/s':>9} {'C GB/s':>9} {'ratio':>10} {'quartiles':>16}")
    with tempfile.TemporaryDirectory() as folder:
        library = compile_loops(Path(folder))
        for cpus in ([every[-1]], every) if len(every) > 1 else ([every[0]],):
            for kind in KINDS:
                rates = measure(kind, cpus, (given.mebibytes, library, given.rounds))
                show(line(kind, len(cpus), rates))


if __name__ == "__main__":
    main()
