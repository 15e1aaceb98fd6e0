"""The two-level model: components, intervals over boots, and the widening of a single boot."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.statistics.intervals import student_interval
from harness.statistics.levels import (
    assumed_between_boot,
    boots_interval,
    combine_variances,
    measured_between_boot,
    nested_anova,
    variance_components,
)
from harness.statistics.summary import sd_of

BOOTS = [[100.0, 100.2, 99.8], [101.0, 101.3, 100.9], [99.5, 99.6, 99.9]]


def simulated(
    boots: int, trials: int, between: float, within: float, seed: int
) -> list[list[float]]:
    generator = np.random.default_rng(seed)
    values = generator.normal(100.0, between, (boots, 1)) + generator.normal(
        0, within, (boots, trials)
    )
    rows: list[list[float]] = values.tolist()
    return rows


def test_components_find_the_spread_between_boots_and_between_trials() -> None:
    found = variance_components(simulated(3000, 4, 0.3, 0.5, 1))
    assert found.between is not None and found.within is not None
    assert math.sqrt(found.between) == pytest.approx(0.3, rel=0.05)
    assert math.sqrt(found.within) == pytest.approx(0.5, rel=0.03)


def test_boots_of_unequal_size_give_the_same_components() -> None:
    rows = simulated(3000, 6, 0.3, 0.5, 2)
    uneven = [row[: 2 + index % 5] for index, row in enumerate(rows)]
    found = variance_components(uneven)
    assert found.between is not None
    assert math.sqrt(found.between) == pytest.approx(0.3, rel=0.06)


def test_a_negative_component_is_none_at_all_and_stays_visible() -> None:
    found = variance_components([[1.0, 3.0], [3.0, 1.0], [1.0, 3.0]])
    assert found.between == 0.0
    assert found.between_raw is not None and found.between_raw < 0.0


def test_one_boot_or_single_trials_leave_a_component_unknown() -> None:
    assert variance_components([[1.0, 2.0]]).between is None
    single = variance_components([[1.0], [2.0], [4.0]])
    assert single.within is None
    assert single.between == pytest.approx(sd_of([1.0, 2.0, 4.0]) ** 2)
    assert nested_anova([]).f is None


def test_five_trials_after_one_reboot_are_not_five_reboots() -> None:
    over_boots = boots_interval(BOOTS)
    as_if = student_interval([value for boot in BOOTS for value in boot])
    assert over_boots.half_width is not None and as_if.half_width is not None
    assert over_boots.half_width > 2.0 * as_if.half_width
    assert over_boots.degrees == 2.0


def test_a_single_boot_has_no_interval_over_boots_and_the_reason_speaks_of_boots() -> None:
    found = boots_interval([[100.0, 101.0]])
    assert found.low is None
    assert found.reason == "1 boot: at least 2 are needed for an interval"


@pytest.mark.parametrize("boots", [2, 5])
def test_the_interval_over_boots_covers_the_machines_mean(boots: int) -> None:
    limits = [boots_interval(simulated(boots, 5, 0.3, 0.5, seed)) for seed in range(1500)]
    covered = np.mean([item.low <= 100.0 <= item.high for item in limits])  # type: ignore[operator]
    assert covered == pytest.approx(0.95, abs=0.02)


def test_three_earlier_runs_measure_the_spread_between_boots_and_two_do_not() -> None:
    found = measured_between_boot([100.0, 100.3, 99.8])
    assert found is not None
    assert found.degrees == 2
    assert found.percent == pytest.approx(100 * sd_of([100.0, 100.3, 99.8]) / 100.0333333, rel=1e-6)
    assert found.source == "measured 0.25 % over 3 earlier runs"
    assert measured_between_boot([100.0, 100.3]) is None


def test_the_assumption_is_named_as_such() -> None:
    assert assumed_between_boot().source == "assumed 0.3 % between boots"
    assert assumed_between_boot().degrees is None


def test_known_terms_leave_infinite_degrees_of_freedom() -> None:
    assert combine_variances([(2.0, None), (1.0, None)]) == (3.0, math.inf)
    variance, degrees = combine_variances([(1.0, 4.0), (1.0, 4.0)])
    assert (variance, degrees) == (2.0, 8.0)
