"""Simulation study: are the answers right as often as they claim?

Run as `python tests/bench/study_coverage.py [--scale S] [--seed N] [--only TABLES]`; prints
markdown tables with the Monte Carlo standard error of each. `--scale 1` takes about half an hour on
two cores; `--scale 0.1` is a quick look.

How to read it. The populations are invented and seeded. Their severities were chosen while the
method was tuned (the tuned numbers are the means and standard deviations in
`harness.statistics.dependence.DependencePrior` and `ALONE`): the targeted rows are about as hard as
any method can bear that must also stay under 96.5 % on light and heavy tails from five trials. The
harder rows show where the intervals stop being right, and no refusal mends that: the samples whose
interval misses are those that look harmless (no trial from the small cluster, none from the long
tail), so refusing what looks odd leaves a worse share covered among the rest.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path
from typing import Any

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
#: What rejection is shown on: nothing, slow trials, and a far cluster.
REJECTED = (
    TARGETED[0],
    Population("one-sided disturbance", "disturbed", one_sided_disturbance(0.2, 6.0, normal)),
    Population("two clusters, 25:75, 12 sd", "two-cluster", two_clusters(0.25, 12.0)),
)
BY_NAME = {population.name: population for population in (*TARGETED, *BEYOND, *REJECTED)}
NORMAL = TARGETED[0].name


class Crew:
    """Processes that answer questions of `study_scenarios`; each question has a seed of its own."""

    def __init__(self, size: int) -> None:
        self._pool = ProcessPoolExecutor(size)

    def ask(self, question: Callable[..., Any], name: str, *given: Any, **more: Any) -> Future[Any]:
        """Have `question` answered for the population called `name`, which no pickle can carry."""
        return self._pool.submit(_answer, question, name, given, more)


def _answer(
    question: Callable[..., Any], name: str, given: Sequence[Any], more: dict[str, Any]
) -> Any:
    return question(BY_NAME[name], *given, **more)


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


def error_of(share: float, number: float) -> str:
    """Monte Carlo standard error, in percent points, of a share of `number` repetitions."""
    return f"standard error {100 * math.sqrt(share * (1.0 - share) / number):.2f}"


def one_boot_rows(
    crew: Crew, populations: Sequence[Population], series: int, workloads: int, seed: int
) -> Iterable[list[str]]:
    """Coverage of one boot's interval for each number of trials, from `series` intervals each."""
    asked = [
        [
            crew.ask(
                run_coverage,
                population.name,
                count,
                runs=max(1, series // workloads),
                workloads=workloads,
                seed=seed,
            )
            for count in COUNTS
        ]
        for population in populations
    ]
    return _told(populations, asked)


def _told(
    populations: Sequence[Population], asked: Sequence[Sequence[Future[Any]]]
) -> Iterable[list[str]]:
    for population, cells in zip(populations, asked, strict=True):
        yield [population.name, *(str(cell.result()) for cell in cells)]


def several_boot_rows(crew: Crew, series: int, seed: int) -> Iterable[list[str]]:
    """Coverage of the interval over boots."""
    asked = [
        [
            crew.ask(
                run_coverage,
                population.name,
                trials,
                runs=max(1, series // 10),
                boots=boots,
                seed=seed,
            )
            for boots, trials in ((2, 5), (3, 5), (5, 5), (5, 20), (10, 5))
        ]
        for population in TARGETED
    ]
    return _told(TARGETED, asked)


def rejection_rows(crew: Crew, series: int, seed: int) -> Iterable[list[str]]:
    """What blind rejection does to coverage, at five and ten trials."""
    asked = [
        [
            crew.ask(
                run_coverage,
                population.name,
                count,
                runs=max(1, series // 10),
                policy=RejectionPolicy(blind=blind, rejected_share=0.34),
                seed=seed,
            )
            for blind in (False, True)
            for count in (5, 10)
        ]
        for population in REJECTED
    ]
    return _told(REJECTED, asked)


def same_machine_rows(crew: Crew, comparisons: int, seed: int) -> Iterable[list[str]]:
    """A machine compared with itself, ten workloads, first look of an open comparison."""
    across, typed = ComparisonSettings(), ComparisonSettings(within_one_boot=True)
    shapes = [
        (f"{boots} x {trials}", boots, trials, across, BETWEEN_SD)
        for boots, trials in ((1, 5), (1, 20), (2, 5), (3, 5), (5, 5), (10, 5))
    ]
    shapes += [(f"typed values, {trials}", 1, trials, typed, 0.0) for trials in (5, 20)]
    asked = [
        (
            population.name,
            shape,
            crew.ask(
                compare_same,
                population.name,
                boots,
                trials,
                settings,
                comparisons=comparisons,
                between_sd=between,
                seed=seed,
            ),
        )
        for population in TARGETED
        for shape, boots, trials, settings, between in shapes
    ]
    for name, shape, answer in asked:
        yield _same_row(name, shape, answer.result())


def _same_row(name: str, shape: str, result: SameMachine) -> list[str]:
    return [
        name,
        shape,
        str(result.coverage),
        percent(result.alarm_share),
        percent(result.family_alarm_share),
        percent(result.equivalent_share),
    ]


def between_boot_rows(crew: Crew, comparisons: int, seed: int) -> Iterable[list[str]]:
    """One boot a side with the spread between boots ignored, assumed, and measured."""
    ignored = ComparisonSettings(within_one_boot=True, planned_looks=1, margin_percent=1e-6)
    assumed = ComparisonSettings(planned_looks=1, margin_percent=1e-6)
    measured = ComparisonSettings(
        planned_looks=1,
        margin_percent=1e-6,
        between=BetweenBoot(BETWEEN_SD, 9, "measured over 10 earlier runs"),
    )
    more = {"comparisons": 10 * comparisons, "workloads": 1, "seed": seed}
    asked = {
        trials: [
            crew.ask(compare_same, NORMAL, 1, trials, settings, **more)
            for settings in (ignored, assumed, measured)
        ]
        for trials in (5, 10, 20)
    }
    for trials, cells in asked.items():
        yield [str(trials), *(percent(cell.result().alarm_share) for cell in cells)]


def contradicted_rows(crew: Crew, comparisons: int, seed: int) -> Iterable[list[str]]:
    """Ten workloads, one boot a side: what happens when boots differ by more than assumed."""
    settings = ComparisonSettings(planned_looks=1)
    asked = {
        (between, trials): crew.ask(
            compare_same,
            NORMAL,
            1,
            trials,
            settings,
            comparisons=comparisons,
            between_sd=between,
            seed=seed,
        )
        for between in (BETWEEN_SD, 2 * BETWEEN_SD, 3 * BETWEEN_SD)
        for trials in (5, 20)
    }
    for (between, trials), answer in asked.items():
        found: SameMachine = answer.result()
        shares = (found.alarm_share, found.family_alarm_share, found.told_share)
        yield [f"{between:g} %", str(trials), *(percent(share) for share in shares)]


def power_rows(crew: Crew, comparisons: int, seed: int) -> Iterable[list[str]]:
    """A true 1 % change with the planner's own trials and boots, spread known to the planner."""
    asked = []
    for between in (None, 0.1, BETWEEN_SD):
        plan = plan_detection(1.0, Spread(TRUE_SD, between), power=0.9, one_boot=between is None)
        known = BetweenBoot(between or 0.0, None, "known")
        answer = crew.ask(
            found_share,
            NORMAL,
            plan,
            1.0,
            ComparisonSettings(within_one_boot=between is None, between=known),
            comparisons=10 * comparisons,
            between_sd=between or 0.0,
            seed=seed,
        )
        asked.append(("one boot" if between is None else f"{between:g} %", plan, answer))
    for shown, plan, answer in asked:
        yield [shown, plan.why, percent(plan.achieved or 0.0), percent(answer.result())]


def requalification_rows(crew: Crew, comparisons: int, seed: int) -> Iterable[list[str]]:
    """Ten unchanged workloads that must pass together, also against a stored baseline."""
    naive = Plan(1, 5, None, None, "naive: 5 trials, 1 boot")
    cases: list[tuple[Plan, float | None, tuple[int, int] | None]] = [(naive, None, None)]
    for between, stored in (
        (None, None),
        (0.1, None),
        (None, (1, 20)),
        (0.1, (1, 20)),
        (0.1, (3, 20)),
    ):
        plan = plan_requalification(
            [Spread(TRUE_SD, between)] * 10, stored, one_boot=between is None
        )
        cases.append((plan, between, stored))
    asked = [
        crew.ask(
            pass_together_share,
            NORMAL,
            plan,
            ComparisonSettings(
                within_one_boot=between is None,
                between=BetweenBoot(between or 0.0, None, "known"),
                planned_looks=1 if plan is naive else None,  # who is naive plans no second look
            ),
            baseline=stored,
            comparisons=3 * comparisons,
            between_sd=between or 0.0,
            seed=seed,
        )
        for plan, between, stored in cases
    ]
    for (plan, between, stored), answer in zip(cases, asked, strict=True):
        promised = "" if plan.achieved is None else percent(plan.achieved)
        yield [
            "as planned" if stored is None else f"{stored[0]} x {stored[1]}",
            "one boot" if between is None else f"{between:g} %",
            plan.why,
            promised,
            percent(answer.result()),
        ]


def look_rows(crew: Crew, comparisons: int, seed: int) -> Iterable[list[str]]:
    """Five looks at a growing comparison of like with like."""
    asked = {
        name: crew.ask(
            alarms_over_looks, NORMAL, 5, 10, comparisons=5 * comparisons, free=free, seed=seed
        )
        for name, free in (("five free looks", True), ("five counted looks", False))
    }
    for name, answer in asked.items():
        yield [name, percent(answer.result())]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print every table of the study."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scale", type=float, default=1.0, help="more or fewer repetitions")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=("coverage", "comparisons"), help="half of the tables")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args(arguments)
    crew = Crew(options.processes)
    if options.only != "comparisons":
        print_coverage(crew, max(50, int(48_000 * options.scale)), options.seed)
    if options.only != "coverage":
        print_comparisons(crew, max(5, int(600 * options.scale)), options.seed)


def print_coverage(crew: Crew, series: int, seed: int) -> None:
    """How often the intervals hold the truth, by population, trials and boots."""
    counts = [f"{count} trials" for count in COUNTS]
    note = "percent covered (percent without an answer)"
    table(
        f"One boot, run of ten workloads: {note}, {error_of(0.95, series)}",
        ["population", *counts],
        one_boot_rows(crew, TARGETED, series, 10, seed),
    )
    table(
        f"One boot, a workload measured alone: {note}, {error_of(0.95, series)}",
        ["population", *counts],
        one_boot_rows(crew, TARGETED, series, 1, seed),
    )
    fewer = series // 6
    table(
        f"One boot, ten workloads, harder populations without a target: {note}, "
        + error_of(0.9, fewer),
        ["population", *counts],
        one_boot_rows(crew, BEYOND, fewer, 10, seed),
    )
    shapes = ["2 x 5", "3 x 5", "5 x 5", "5 x 20", "10 x 5"]
    table(
        f"Several boots (boots x trials): {note}, {error_of(0.95, fewer)}",
        ["population", *shapes],
        several_boot_rows(crew, fewer, seed),
    )
    table(
        f"Rejection with a cause (none recorded here) and blind: {note}, {error_of(0.9, fewer)}",
        ["population", "cause, 5", "cause, 10", "blind, 5", "blind, 10"],
        rejection_rows(crew, fewer, seed),
    )


def print_comparisons(crew: Crew, comparisons: int, seed: int) -> None:
    """How often comparisons call what is not there, and find what is."""
    each, whole = error_of(0.95, 10 * comparisons), error_of(0.03, comparisons)
    table(
        f"A machine compared with itself, ten workloads: percent, covered {each}, any {whole}",
        ["population", "a side", "covered (no answer)", "alarms", "any of ten", "equivalent"],
        same_machine_rows(crew, comparisons, seed),
    )
    table(
        "One boot a side, spread between boots 0.3 %: false alarms in percent, "
        + error_of(0.05, 10 * comparisons),
        ["trials", "ignored", "assumed 0.3 %", "measured over 10 runs"],
        between_boot_rows(crew, comparisons, seed),
    )
    table(
        "Ten workloads, one boot a side, 0.3 % between boots assumed: percent, told "
        + error_of(0.5, comparisons),
        ["truly between boots", "trials", "alarms", "any of ten", "told"],
        contradicted_rows(crew, comparisons, seed),
    )
    table(
        "A true 1 % change with the planner's trials: percent found, "
        + error_of(0.9, 10 * comparisons),
        ["between boots", "plan", "promised", "found"],
        power_rows(crew, comparisons, seed),
    )
    table(
        "Ten unchanged workloads, not slower than 1 %: percent passing together, "
        + error_of(0.95, 3 * comparisons),
        ["baseline", "between boots", "plan", "promised", "pass together"],
        requalification_rows(crew, comparisons, seed),
    )
    table(
        f"Looking five times: percent that call a difference, {error_of(0.05, 5 * comparisons)}",
        ["looks", "called"],
        look_rows(crew, comparisons, seed),
    )


if __name__ == "__main__":
    main()
