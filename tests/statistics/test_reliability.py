"""Stability statements; the tables are in tests/published."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.reliability import (
    CoreExposure,
    clopper_pearson,
    error_rate,
    hours_to_demonstrate,
    passes_to_demonstrate,
    rate_upper_bound,
    stability_statement,
)


def test_no_hour_under_load_shows_no_rate_and_says_so() -> None:
    found = error_rate(0, 0.0)
    assert (found.estimate, found.lower, found.upper) == (None, None, None)
    assert found.reason == "no verified pass, so no time under load"


def test_no_failure_leaves_an_upper_bound_and_never_a_rate_of_nought_shown() -> None:
    found = error_rate(0, 3.0)
    assert found.lower == 0.0
    assert found.upper == pytest.approx(-math.log(0.05) / 3.0)


@given(st.integers(0, 40), st.floats(0.1, 1e5), st.floats(0.5, 0.99))
def test_the_planners_hours_are_the_inverse_of_the_bound(
    failures: int, hours: float, confidence: float
) -> None:
    bound = rate_upper_bound(failures, hours, confidence)
    assert hours_to_demonstrate(bound, confidence, failures) == pytest.approx(hours, rel=1e-9)


def test_the_upper_bound_holds_the_true_rate_as_often_as_it_claims() -> None:
    generator = np.random.default_rng(1)
    counts = generator.poisson(4.0, 4000)
    covered = np.mean([rate_upper_bound(int(count), 10.0, 0.9) >= 0.4 for count in counts])
    assert 0.9 <= covered < 0.96  # counts are whole, so at least 90 %


def test_the_success_run_is_clopper_pearson_without_failure() -> None:
    bounds = clopper_pearson(59, 59, 0.95, two_sided=False)
    assert bounds.lower == pytest.approx(0.05 ** (1 / 59))
    assert bounds.upper == 1.0


def test_59_passes_demonstrate_95_percent_and_58_do_not() -> None:
    assert passes_to_demonstrate(0.95) == 59
    enough, fewer = (clopper_pearson(n, n, two_sided=False).lower for n in (59, 58))
    assert enough is not None and fewer is not None
    assert enough >= 0.95 > fewer


def test_no_pass_shows_no_success_rate_and_all_failed_shows_a_lower_bound_of_nought() -> None:
    assert clopper_pearson(0, 0).reason == "no trial"
    assert clopper_pearson(0, 5).lower == 0.0


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="more successes than trials"):
        clopper_pearson(3, 2)
    with pytest.raises(ValueError, match="failures=-1"):
        error_rate(-1, 1.0)


def test_a_statement_holds_the_bounds_of_the_machine_and_of_a_pass() -> None:
    cores = {"0": CoreExposure(30.0, 5000, 0), "1": CoreExposure(30.0, 4000, 0)}
    found = stability_statement("matmul", 30.0, 30.0, 0, cores)
    assert found.rate.upper == pytest.approx(-math.log(0.05) / 30.0)
    assert found.success.lower == pytest.approx(0.05 ** (1 / 4000))
    assert "independently" in found.assumption


def test_the_weakest_core_counts_and_core_hours_are_never_added_up() -> None:
    cores = {
        "0": CoreExposure(10.0, 500, 0),
        "1": CoreExposure(10.0, 500, 2),
        "2": CoreExposure(4.0, 200, 0),
    }
    found = stability_statement("matmul", 4.0, 10.0, 2, cores)
    assert found.weakest_core == "1"
    assert (found.rate.hours, found.rate.estimate) == (4.0, 0.2)
    by_name = dict(found.cores)
    assert by_name["2"].upper is not None and by_name["0"].upper is not None
    assert by_name["2"].upper > by_name["0"].upper
    # Clopper-Pearson: 200 of 200 passes show 98.51 %, 500 of 502 show 98.75 %.
    assert found.success.trials == 200


def test_a_core_that_failed_before_it_verified_anything_is_the_weakest() -> None:
    cores = {"0": CoreExposure(10.0, 500, 3), "1": CoreExposure(0.0, 0, 1)}
    found = stability_statement("matmul", 0.0, 10.0, 4, cores)
    assert (found.weakest_core, found.rate.upper) == ("1", None)


def test_a_load_that_did_not_run_shows_nothing() -> None:
    found = stability_statement("matmul", 0.0, 0.0, 0, {"0": CoreExposure(0.0, 0, 0)})
    assert (found.weakest_core, found.rate.upper, found.success.lower) == (None, None, None)


def test_the_least_hours_of_any_core_bound_the_sum_of_all_cores_rates() -> None:
    """Simulated: two cores with very different times and rates; the claim is that of the sum."""
    generator = np.random.default_rng(2)
    rates, hours = np.array([0.02, 0.3]), np.array([40.0, 5.0])
    counts = generator.poisson(rates * hours, size=(4000, 2)).sum(axis=1)
    bounds = [rate_upper_bound(int(count), float(hours.min()), 0.9) for count in counts]
    assert np.mean(np.array(bounds) >= rates.sum()) >= 0.9


def test_a_longer_elapsed_time_lowers_the_lower_bound_only() -> None:
    near, far = error_rate(5, 1.0), error_rate(5, 1.0, elapsed_hours=10.0)
    assert near.upper == far.upper
    assert near.lower is not None and far.lower is not None
    assert far.lower == pytest.approx(near.lower / 10.0)
