"""Numeric loads against the core's peak, and what verifying them costs: one core.

``python tests/bench/bench_dense.py [--rounds N] [--cpu C] [--trials N]``

Peak is what the multiply-add kernel's whole number of pipes would do (`workloads.fma.peak`), at a
clock that is measured before and after every pass, so a change of clock does not count. A pass
includes its verification. Passes during which the thread had less than 98.5 % of its core are left
out; passes go on until enough had it, or ten times as many were tried. The median and the best
are shown; where fewer than five were left nothing is, since a shared core has no peak.

``--trials N`` adds the run-to-run spread of N trials of fixed work (at least 3 s each, first pass
dropped): the coefficient of variation of the trials' means and of their 10th percentiles.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from threadpoolctl import threadpool_limits

from harness.clock import perf_ns, thread_cpu_ns
from harness.sensors.clock_probe import measure_clock_hz
from workloads import registry
from workloads.contract import Task
from workloads.fma import FmaFp32, FmaFp64, Peak, peak

#: Workload -> the format whose peak it is held against, and the share of it that is asked for.
AGAINST_PEAK = {
    "fma-fp64": (FmaFp64, 97.0),
    "fma-fp32": (FmaFp32, 97.0),
    "matmul-fp64": (FmaFp64, 88.0),
    "matmul-fp64-normal": (FmaFp64, 88.0),
    "matmul-fp32": (FmaFp32, 84.0),
    "matmul-fp32-normal": (FmaFp32, 84.0),
    "lu-solve": (FmaFp64, None),
    "fft-fp64": (FmaFp64, None),
    "fft-fp32": (FmaFp32, None),
    "conjugate-gradient": (FmaFp64, None),
}
OTHERS = ("ntt", "heat-stencil", "path-tracer")
VERIFICATION_PERCENT = 2.0
OWN_SHARE = 0.985
FEWEST = 5
HEAD = "workload             pass ms  G unit/s     check  % peak   best asked  kept/tried"


@dataclass(frozen=True)
class Sample:
    """One pass: its time with and without verification, its CPU share, the clock around it."""

    pass_seconds: float
    check_seconds: float
    own_share: float
    clock_hz: float


def clock() -> float:
    """The core's clock; leaves where only a relative clock can be had."""
    found = measure_clock_hz()
    if found is None:
        sys.exit("the clock probe gives no absolute clock on this processor: no peak to hold to")
    return found


def sample(task: Task) -> Sample:
    """Time one pass and its digest."""
    before_hz, cpu, start = clock(), thread_cpu_ns(), perf_ns()
    task.execute()
    done = perf_ns()
    task.digest()
    end, used = perf_ns(), thread_cpu_ns() - cpu
    hz = (before_hz + clock()) / 2
    return Sample((end - start) * 1e-9, (end - done) * 1e-9, used / (end - start), hz)


def undisturbed(task: Task, rounds: int) -> tuple[list[Sample], int]:
    """`rounds` passes that had the core to themselves, after two that warm up; and all tried."""
    for _ in range(2):
        sample(task)
    kept: list[Sample] = []
    tried = 0
    while len(kept) < rounds and tried < 10 * rounds:
        found = sample(task)
        tried += 1
        kept += [found] if found.own_share >= OWN_SHARE else []
    return kept, tried


def prepare(name: str) -> Task:
    """A task with default parameters, as a lane has it."""
    workload = registry.load(name)
    return workload.prepare(workload.complete({}), 1)


def ceilings() -> dict[type, Peak]:
    """Calibrate both formats; the clock is measured right beside."""
    return {kind: peak(clock(), perf_ns, kind(), passes=60) for kind in (FmaFp64, FmaFp32)}


def percent_of_peak(found: Sequence[Sample], work: float, ceiling: float) -> list[float]:
    """Work per cycle of each pass, verification included, in percent of the ceiling."""
    return [100 * work / (each.pass_seconds * each.clock_hz) / ceiling for each in found]


def row(name: str, rounds: int, peaks: dict[type, Peak]) -> tuple[str, str]:
    """One line of the table, and `ok`, `missed` or `not measured` for the figures asked for."""
    task = prepare(name)
    kept, tried = undisturbed(task, rounds)
    if len(kept) < FEWEST:
        return f"{name:20} not measured: {len(kept)} of {tried} undisturbed", "not measured"
    middle = statistics.median(each.pass_seconds for each in kept)
    check = statistics.median(100 * each.check_seconds / each.pass_seconds for each in kept)
    reached = check <= VERIFICATION_PERCENT
    text = f"{name:20} {middle * 1e3:7.2f} {task.work_per_pass / middle / 1e9:9.3f} {check:7.2f} %"
    if name in AGAINST_PEAK:
        kind, asked = AGAINST_PEAK[name]
        shares = percent_of_peak(kept, task.work_per_pass, peaks[kind].ceiling_flop_per_cycle)
        text += f" {statistics.median(shares):7.1f} {max(shares):6.1f} {asked or '-':>5}"
        reached = reached and (asked is None or statistics.median(shares) >= asked)
    else:
        text += f" {'-':>7} {'-':>6} {'-':>5}"
    return f"{text}  {len(kept)}/{tried}", "ok" if reached else "missed"


def trial(task: Task, passes: int) -> tuple[float, float]:
    """Mean and 10th percentile of the pass times of one trial, first pass dropped."""
    times = []
    for _ in range(passes + 1):
        start = perf_ns()
        task.execute()
        task.digest()
        times.append((perf_ns() - start) * 1e-9)
    return statistics.mean(times[1:]), statistics.quantiles(times[1:], n=10)[0]


def variation(values: Sequence[float]) -> float:
    """Coefficient of variation in percent."""
    return 100 * statistics.stdev(values) / statistics.mean(values)


def spread_row(name: str, trials: int) -> str:
    """Run-to-run spread of trials of the same work."""
    task = prepare(name)
    once, _ = trial(task, 5)
    passes = max(int(3.0 / once), 2)
    means, tenths = zip(*(trial(task, passes) for _ in range(trials)), strict=True)
    return f"{name:20} {passes:7} {variation(means):8.2f} {variation(tenths):8.2f}"


def show(text: str) -> None:
    """Print at once, so that a long run can be watched."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main() -> int:
    """Print the tables; 1 when a figure asked for is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--cpu", type=int, default=max(os.sched_getaffinity(0)))
    parser.add_argument("--trials", type=int, default=0)
    given = parser.parse_args()
    os.sched_setaffinity(0, {given.cpu})
    names = (*AGAINST_PEAK, *OTHERS)
    threadpool_limits(1)
    for name in names:
        registry.load(name).warm()
    peaks = ceilings()
    for kind, found in peaks.items():
        best = found.measured_flop_per_cycle
        show(f"{kind.name}: {best:.2f} of {found.ceiling_flop_per_cycle} flop a cycle seen")
    show(HEAD)
    verdicts: dict[str, list[str]] = {"ok": [], "missed": [], "not measured": []}
    for name in names:
        text, verdict = row(name, given.rounds, peaks)
        show(text)
        verdicts[verdict].append(name)
    if given.trials > 1:
        show(f"{'workload':20} {'passes':>7} {'mean CV%':>8} {'10th CV%':>8}")
        for name in names:
            show(spread_row(name, given.trials))
    for verdict in ("missed", "not measured"):
        show(f"{verdict}: {', '.join(verdicts[verdict]) or 'none'}")
    return 1 if verdicts["missed"] else 0


if __name__ == "__main__":
    sys.exit(main())
