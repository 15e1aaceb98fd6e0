"""Simulation study: are the answers right as often as they claim?

Run as `python tests/bench/study_coverage.py [--scale S] [--seed N]`; prints markdown tables.
`--scale 1` takes about twenty minutes on one core and leaves a Monte Carlo standard error of 0.13
(five trials) to 0.3 points (thirty) per cell of the first table; `--scale 0.1` is a quick look.

How to read it. The populations are invented and seeded. Their severities were chosen while the
method was tuned (the one tuned number is the standard deviation in
`harness.statistics.dependence.DependencePrior`): the targeted rows are about as hard as any method
can bear that must also stay under 96.5 % on light and heavy tails from five trials. The harder rows
show where the intervals stop being right, and no refusal mends that: the samples whose interval
misses are those that look harmless (no trial from the small cluster, none from the long tail), so
refusing what looks odd leaves a worse share covered among the rest.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from study_populations import BEYOND, TARGETED, TRUE_SD, Population, normal, two_clusters
from study_scenarios import (
    BETWEEN_SD,
    SameMachine,
    alarms_over_looks,
    compare_same,
    found_share,
    one_sided_disturbance,
    pass_together_share,
    run_coverage,
)

from harness.statistics.between_runs import ComparisonSettings
from harness.statistics.levels import BetweenBoot
from harness.statistics.outliers import RejectionPolicy
from harness.statistics.planning import Plan, Spread, plan_detection
from harness.statistics.requalification import plan_requalification

COUNTS = (5, 6, 8, 10, 15, 20, 30)
BY_NAME = {population.name: population for population in (*TARGETED, *BEYOND)}


def table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print one markdown table as its rows come in."""
    emit(f"\n### {title}\n")
    emit("| " + " | ".join(heads) + " |")
    emit("|" + "---|" * len(heads))
    for row in rows:
        emit("| " + " | ".join(row) + " |")


def emit(line: str) -> None:
    """Write one line at once: the study takes minutes."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def percent(share: float) -> str:
    """A share as percent with one decimal."""
    return f"{100 * share:.1f}"


def one_boot_rows(
    populations: Sequence[Population], runs: int, workloads: int, seed: int
) -> Iterable[list[str]]:
    """Coverage of one boot's interval for each number of trials.

    Short series are cheap, so they get more repetitions.
    """
    for population in populations:
        cells = [
            run_coverage(population, count, runs=runs * 15 // count, workloads=workloads, seed=seed)
            for count in COUNTS
        ]
        yield [population.name, *(str(cell) for cell in cells)]


def several_boot_rows(runs: int, seed: int) -> Iterable[list[str]]:
    """Coverage of the interval over boots."""
    for population in TARGETED:
        cells = [
            run_coverage(population, trials, runs=runs, boots=boots, seed=seed)
            for boots, trials in ((2, 5), (3, 5), (5, 5), (5, 20), (10, 5))
        ]
        yield [population.name, *(str(cell) for cell in cells)]


def rejection_rows(runs: int, seed: int) -> Iterable[list[str]]:
    """What blind rejection does to coverage, at five and ten trials."""
    disturbed = Population(
        "one-sided disturbance", "disturbed", one_sided_disturbance(0.2, 6.0, normal)
    )
    clusters = Population("two clusters, 25:75, 12 sd", "two-cluster", two_clusters(0.25, 12.0))
    for population in (BY_NAME["normal"], disturbed, clusters):
        cells = []
        for blind in (False, True):
            policy = RejectionPolicy(blind=blind, rejected_share=0.34)
            cells += [
                run_coverage(population, count, runs=runs, policy=policy, seed=seed)
                for count in (5, 10)
            ]
        yield [population.name, *(str(cell) for cell in cells)]


def same_machine_rows(comparisons: int, seed: int) -> Iterable[list[str]]:
    """A machine compared with itself, ten workloads, first look of an open comparison."""
    shapes = ((1, 5), (1, 20), (2, 5), (3, 5), (5, 5), (10, 5))
    for population in TARGETED:
        for boots, trials in shapes:
            result = compare_same(
                population,
                boots,
                trials,
                ComparisonSettings(),
                comparisons=comparisons,
                seed=seed,
            )
            yield _same_row(population.name, f"{boots} x {trials}", result)
        for trials in (5, 20):
            settings = ComparisonSettings(within_one_boot=True)
            result = compare_same(
                population,
                1,
                trials,
                settings,
                comparisons=comparisons,
                between_sd=0.0,
                seed=seed,
            )
            yield _same_row(population.name, f"typed values, {trials}", result)


def _same_row(name: str, shape: str, result: SameMachine) -> list[str]:
    return [
        name,
        shape,
        str(result.coverage),
        percent(result.alarm_share),
        percent(result.family_alarm_share),
        percent(result.equivalent_share),
    ]


def between_boot_rows(comparisons: int, seed: int) -> Iterable[list[str]]:
    """One boot a side with the spread between boots ignored, assumed, and measured."""
    ignored = ComparisonSettings(within_one_boot=True, planned_looks=1, margin_percent=1e-6)
    assumed = ComparisonSettings(planned_looks=1, margin_percent=1e-6)
    measured = ComparisonSettings(
        planned_looks=1,
        margin_percent=1e-6,
        between=BetweenBoot(BETWEEN_SD, 9, "measured over 10 earlier runs"),
    )
    for trials in (5, 10, 20):
        cells = [
            compare_same(
                BY_NAME["normal"],
                1,
                trials,
                settings,
                comparisons=10 * comparisons,
                workloads=1,
                seed=seed,
            )
            for settings in (ignored, assumed, measured)
        ]
        yield [str(trials), *(percent(cell.alarm_share) for cell in cells)]


def power_rows(comparisons: int, seed: int) -> Iterable[list[str]]:
    """A true 1 % change with the planner's own trials and boots, spread known to the planner."""
    for between in (None, 0.1, BETWEEN_SD):
        spread = Spread(TRUE_SD, between)
        plan = plan_detection(1.0, spread, power=0.9, one_boot=between is None)
        known = BetweenBoot(between or 0.0, None, "known")
        settings = ComparisonSettings(within_one_boot=between is None, between=known)
        share = found_share(
            BY_NAME["normal"],
            plan,
            1.0,
            settings,
            comparisons=10 * comparisons,
            between_sd=between or 0.0,
            seed=seed,
        )
        shown = "one boot" if between is None else f"{between:g} %"
        yield [shown, plan.why, percent(plan.achieved or 0.0), percent(share)]


def requalification_rows(comparisons: int, seed: int) -> Iterable[list[str]]:
    """Ten unchanged workloads that must pass together."""
    naive = Plan(1, 5, None, None, "naive: 5 trials, 1 boot")
    cases: list[tuple[Plan, float | None]] = [(naive, None)]
    for between in (None, 0.1):
        spreads = [Spread(TRUE_SD, between)] * 10
        cases.append((plan_requalification(spreads, one_boot=between is None), between))
    for plan, between in cases:
        known = BetweenBoot(between or 0.0, None, "known")
        settings = ComparisonSettings(
            within_one_boot=between is None,
            between=known,
            planned_looks=1 if plan is naive else None,  # who is naive plans no second look
        )
        share = pass_together_share(
            BY_NAME["normal"],
            plan,
            settings,
            comparisons=comparisons,
            between_sd=between or 0.0,
            seed=seed,
        )
        yield [plan.why, percent(share)]


def look_rows(comparisons: int, seed: int) -> Iterable[list[str]]:
    """Five looks at a growing comparison of like with like."""
    for name, free in (("five free looks", True), ("five counted looks", False)):
        share = alarms_over_looks(
            BY_NAME["normal"], 5, 10, comparisons=5 * comparisons, free=free, seed=seed
        )
        yield [name, percent(share)]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print every table of the study."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scale", type=float, default=1.0, help="more or fewer repetitions")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    runs, comparisons = max(5, int(800 * options.scale)), max(5, int(300 * options.scale))
    seed = options.seed
    note = "percent covered (percent without an answer)"
    print_coverage(runs, seed, note)
    print_comparisons(comparisons, seed, note)


def print_coverage(runs: int, seed: int, note: str) -> None:
    """How often the intervals hold the truth, by population, trials and boots."""
    counts = [f"{count} trials" for count in COUNTS]
    table(
        f"One boot, run of ten workloads: {note}",
        ["population", *counts],
        one_boot_rows(TARGETED, runs, 10, seed),
    )
    table(
        f"The same, harder populations, no target: {note}",
        ["population", *counts],
        one_boot_rows(BEYOND, runs // 2, 10, seed),
    )
    table(
        f"One boot, a workload measured alone: {note}",
        ["population", *counts],
        one_boot_rows(TARGETED, 5 * runs, 1, seed),
    )
    shapes = ["2 x 5", "3 x 5", "5 x 5", "5 x 20", "10 x 5"]
    table(
        f"Several boots (boots x trials): {note}",
        ["population", *shapes],
        several_boot_rows(runs // 2, seed),
    )
    table(
        f"Rejection with a cause (none recorded here) and blind: {note}",
        ["population", "cause, 5", "cause, 10", "blind, 5", "blind, 10"],
        rejection_rows(runs // 2, seed),
    )


def print_comparisons(comparisons: int, seed: int, note: str) -> None:
    """How often comparisons call what is not there, and find what is."""
    table(
        "A machine compared with itself, ten workloads: percent",
        ["population", "a side", note, "alarms", "any of ten", "equivalent"],
        same_machine_rows(comparisons, seed),
    )
    table(
        "One boot a side, spread between boots 0.3 %: false alarms in percent",
        ["trials", "ignored", "assumed 0.3 %", "measured over 10 runs"],
        between_boot_rows(comparisons, seed),
    )
    table(
        "A true 1 % change with the planner's trials: percent found",
        ["between boots", "plan", "promised", "found"],
        power_rows(comparisons, seed),
    )
    table(
        "Ten unchanged workloads, not slower than 1 %: percent passing together",
        ["plan", "pass together"],
        requalification_rows(comparisons, seed),
    )
    table(
        "Looking five times: percent that call a difference",
        ["looks", "called"],
        look_rows(comparisons, seed),
    )


if __name__ == "__main__":
    main()
