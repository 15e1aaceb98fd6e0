"""The overall geometric mean and its interval."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from harness.statistics.between_runs import ComparisonSettings, WorkloadSides, compare_workloads
from harness.statistics.decision import Change


def sides(
    workloads: int, boots: int, shift: float, seed: int, shared: float = 0.0
) -> list[WorkloadSides]:
    generator = np.random.default_rng(seed)
    found = []
    common = [shared * generator.standard_normal((boots, 1)) for _ in range(2)]
    for index in range(workloads):
        before = 100.0 * np.exp(0.003 * generator.standard_normal((boots, 5)) + common[0])
        after = 100.0 * np.exp(shift + 0.003 * generator.standard_normal((boots, 5)) + common[1])
        found.append(WorkloadSides(str(index), "1/s", before.tolist(), after.tolist()))
    return found


def test_the_overall_ratio_is_the_geometric_mean_of_the_ratios() -> None:
    found = compare_workloads(sides(4, 3, 0.01, 1))
    ratios = [item.ratio for item in found.workloads if item.ratio is not None]
    assert found.overall.workloads == 4
    assert found.overall.ratio == pytest.approx(stats.gmean(ratios), rel=1e-12)


def test_over_boots_the_limits_are_scipys_on_the_boots_overall_means() -> None:
    made = sides(3, 5, 0.01, 2, shared=0.004)
    found = compare_workloads(made).overall
    means = [
        np.mean([np.mean(np.log(side), axis=1) for side in rows], axis=0)
        for rows in ([item.before for item in made], [item.after for item in made])
    ]
    limits = stats.ttest_ind(means[1], means[0], equal_var=False).confidence_interval(0.95)
    assert found.low == pytest.approx(math.exp(limits.low), rel=1e-9)
    assert found.high == pytest.approx(math.exp(limits.high), rel=1e-9)
    assert found.method == "geometric mean, Welch on boots"


def test_what_a_boot_shifts_in_all_workloads_is_not_averaged_away() -> None:
    covered = 0
    for seed in range(300):
        found = compare_workloads(sides(5, 4, 0.0, seed, shared=0.004)).overall
        assert found.low is not None and found.high is not None
        covered += found.low <= 1.0 <= found.high
    assert covered / 300 > 0.92


def test_a_single_boot_takes_the_workloads_to_move_together() -> None:
    found = compare_workloads(sides(6, 1, 0.0, 3))
    assert found.overall.method == "geometric mean, workloads moving together"
    single = found.workloads[0]
    assert single.low is not None and single.high is not None
    assert found.overall.low is not None and found.overall.high is not None
    assert found.overall.high - found.overall.low > 0.8 * (single.high - single.low)


def test_within_one_boot_independent_workloads_narrow_the_mean() -> None:
    found = compare_workloads(sides(9, 1, 0.02, 4), ComparisonSettings(within_one_boot=True))
    overall, single = found.overall, found.workloads[0]
    assert overall.low is not None and overall.high is not None
    assert single.low is not None and single.high is not None
    assert overall.high - overall.low < 0.6 * (single.high - single.low)
    assert overall.decision is Change.FASTER


def test_workloads_without_an_interval_are_left_out_and_counted() -> None:
    made = [*sides(2, 1, 0.0, 5), WorkloadSides("single", "1/s", [[100.0]], [[0.0]])]
    assert compare_workloads(made).overall.workloads == 2
