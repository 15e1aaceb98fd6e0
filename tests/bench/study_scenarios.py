"""The questions of the simulation study, each a function of seeded data to shares."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from study_populations import TRUE_MEAN, Noise, Numbers, Population

from harness.outcome import Verdict
from harness.statistics.between_runs import (
    ComparisonSettings,
    WorkloadSides,
    compare_workloads,
)
from harness.statistics.decision import Change
from harness.statistics.outliers import RejectionPolicy
from harness.statistics.planning import Plan
from harness.statistics.within_run import WorkloadTrials, summarise_run

BETWEEN_SD = 0.3


@dataclass(frozen=True)
class Coverage:
    """How often an interval held the truth, of those given, and how often none was given."""

    covered: float
    silent: float
    intervals: int

    def __str__(self) -> str:
        """Percent covered, with the percent of no answer in brackets."""
        return f"{100 * self.covered:.1f} ({100 * self.silent:.1f})"


def tally(low_high: Sequence[tuple[float | None, float | None]], truth: float) -> Coverage:
    """Count intervals that hold `truth`."""
    held = [low <= truth <= high for low, high in low_high if low is not None and high is not None]
    return Coverage(
        float(np.mean(held)) if held else math.nan, 1.0 - len(held) / len(low_high), len(low_high)
    )


def run_coverage(
    population: Population,
    trials: int,
    *,
    runs: int,
    workloads: int = 10,
    boots: int = 1,
    seed: int = 1,
    policy: RejectionPolicy | None = None,
) -> Coverage:
    """Intervals of `summarise_run` over runs of `workloads` workloads.

    With several boots each boot has an effect of its own and the truth is the mean over boots.
    """
    generator = np.random.default_rng([seed, trials, boots])
    labels = [str(boot) for boot in range(boots) for _ in range(trials)]
    limits = []
    for _ in range(runs):
        effects = BETWEEN_SD * generator.standard_normal((workloads, boots, 1)) if boots > 1 else 0
        values = population.draw(generator, workloads * boots, trials)
        values = (values.reshape(workloads, boots, trials) + effects).reshape(workloads, -1)
        run = {
            str(index): WorkloadTrials(row.tolist(), boots=labels if boots > 1 else None)
            for index, row in enumerate(values)
        }
        limits += [(item.low, item.high) for item in summarise_run(run, policy=policy).values()]
    return tally(limits, TRUE_MEAN)


@dataclass(frozen=True)
class SameMachine:
    """A machine compared with itself: coverage of 1, alarms, what was decided, and how often the
    workloads together were told to contradict an assumed spread between boots."""

    coverage: Coverage
    alarm_share: float
    family_alarm_share: float
    equivalent_share: float
    told_share: float


def compare_same(
    population: Population,
    boots: int,
    trials: int,
    settings: ComparisonSettings,
    *,
    comparisons: int,
    workloads: int = 10,
    between_sd: float = BETWEEN_SD,
    seed: int = 2,
) -> SameMachine:
    """Comparisons of a machine with itself: nothing changed but the boots."""
    generator = np.random.default_rng([seed, boots, trials])
    limits: list[tuple[float | None, float | None]] = []
    alarms: list[list[bool]] = []
    equivalent = told = 0
    for _ in range(comparisons):
        sides = [
            WorkloadSides(
                str(index),
                "1/s",
                *(draw_boots(generator, population, boots, trials, between_sd) for _ in range(2)),
            )
            for index in range(workloads)
        ]
        comparison = compare_workloads(sides, settings)
        compared = comparison.workloads
        told += bool(comparison.contradicted)
        limits += [(item.low, item.high) for item in compared]
        alarms.append([item.decision in (Change.FASTER, Change.SLOWER) for item in compared])
        equivalent += sum(item.decision is Change.EQUIVALENT for item in compared)
    return SameMachine(
        tally(limits, 1.0),
        float(np.mean(alarms)),
        float(np.mean([any(row) for row in alarms])),
        equivalent / len(limits),
        told / comparisons,
    )


def draw_boots(
    generator: np.random.Generator,
    population: Population,
    boots: int,
    trials: int,
    between_sd: float,
    factor: float = 1.0,
) -> list[list[float]]:
    """Trials of one workload on one side, boot by boot."""
    effects = between_sd * generator.standard_normal((boots, 1))
    values = (population.draw(generator, boots, trials) + effects) * factor
    rows: list[list[float]] = values.tolist()
    return rows


def found_share(
    population: Population,
    plan: Plan,
    change_percent: float,
    settings: ComparisonSettings,
    *,
    comparisons: int,
    between_sd: float,
    seed: int = 3,
) -> float:
    """How often a true change is called with the plan's trials and boots."""
    assert plan.boots is not None and plan.trials_per_boot is not None
    generator = np.random.default_rng([seed, plan.boots, plan.trials_per_boot])
    shape = plan.boots, plan.trials_per_boot, between_sd
    found = 0
    for _ in range(comparisons):
        before = draw_boots(generator, population, *shape)
        after = draw_boots(generator, population, *shape, factor=1.0 + change_percent / 100.0)
        compared = compare_workloads([WorkloadSides("one", "1/s", before, after)], settings)
        found += compared.workloads[0].decision is Change.FASTER
    return found / comparisons


def alarms_over_looks(
    population: Population, looks: int, step: int, *, comparisons: int, free: bool, seed: int = 4
) -> float:
    """How often any of `looks` looks at a growing comparison of like with like calls a difference.

    `free`: every look at the full 5 %, as if it were the only one.
    """
    generator = np.random.default_rng([seed, looks, step])
    called = 0
    for _ in range(comparisons):
        before, after = population.draw(generator, 2, looks * step)
        called += _any_call(before, after, looks, step, free)
    return called / comparisons


def _any_call(before: Numbers, after: Numbers, looks: int, step: int, free: bool) -> bool:
    for look in range(1, looks + 1):
        settings = ComparisonSettings(
            within_one_boot=True,
            margin_percent=1e-6,  # no equivalence, so that every look may call
            looks=1 if free else look,
            planned_looks=1 if free else None,
        )
        count = look * step
        sides = WorkloadSides("one", "1/s", [before[:count].tolist()], [after[:count].tolist()])
        decision = compare_workloads([sides], settings).workloads[0].decision
        if decision in (Change.FASTER, Change.SLOWER):
            return True
    return False


def pass_together_share(
    population: Population,
    plan: Plan,
    settings: ComparisonSettings,
    *,
    comparisons: int,
    workloads: int = 10,
    between_sd: float,
    baseline: tuple[int, int] | None = None,
    seed: int = 5,
) -> float:
    """How often all unchanged workloads are shown not slower than the margin.

    `baseline`: boots and trials per boot of the side before; those of the plan if None.
    """
    assert plan.boots is not None and plan.trials_per_boot is not None
    again = plan.boots, plan.trials_per_boot
    generator = np.random.default_rng([seed, *again])
    passed = 0
    for _ in range(comparisons):
        sides = [
            WorkloadSides(
                str(index),
                "1/s",
                *(
                    draw_boots(generator, population, *shape, between_sd)
                    for shape in (baseline or again, again)
                ),
            )
            for index in range(workloads)
        ]
        compared = compare_workloads(sides, settings).workloads
        passed += all(item.not_slower.verdict is Verdict.PASS for item in compared)
    return passed / comparisons


def one_sided_disturbance(share: float, depth_sd: float, noise: Noise) -> Callable[..., Numbers]:
    """Noise with a share of trials slowed by an exponential disturbance (mean `depth_sd`)."""

    def draw(generator: np.random.Generator, series: int, trials: int) -> Numbers:
        hit = generator.random((series, trials)) < share
        loss = generator.exponential(depth_sd, size=(series, trials)) * hit
        return noise(generator, series, trials) - loss + share * depth_sd

    return draw
