"""Stability statements; the tables are in tests/published."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.statistics.reliability import (
    clopper_pearson,
    demonstrated_success,
    error_rate,
    hours_to_demonstrate,
    passes_to_demonstrate,
    rate_upper_bound,
    stability_statement,
)


def test_no_hour_under_load_shows_no_rate_and_says_so() -> None:
    found = error_rate(0, 0.0)
    assert (found.estimate, found.lower, found.upper) == (None, None, None)
    assert found.reason == "no hour under load"


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
    assert bounds.lower == pytest.approx(demonstrated_success(59))
    assert bounds.upper == 1.0


def test_59_passes_demonstrate_95_percent_and_58_do_not() -> None:
    assert passes_to_demonstrate(0.95) == 59
    assert demonstrated_success(59) >= 0.95 > demonstrated_success(58)
    assert demonstrated_success(0) == 0.0


def test_no_pass_shows_no_success_rate_and_all_failed_shows_a_lower_bound_of_nought() -> None:
    assert clopper_pearson(0, 0).reason == "no trial"
    assert clopper_pearson(0, 5).lower == 0.0


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="more successes than trials"):
        clopper_pearson(3, 2)
    with pytest.raises(ValueError, match="failures=-1"):
        error_rate(-1, 1.0)


def test_the_statement_says_what_was_seen_and_what_that_shows() -> None:
    found = stability_statement("matmul", 30.0, 5000, 0)
    assert found.sentence == (
        "matmul: no error in 30 hours shows at most one error per 10 machine-hours"
        " with 95 % confidence"
    )
    assert found.success.lower == pytest.approx(0.05 ** (1 / 5000))
    assert "independently" in found.assumption


def test_the_weakest_core_counts_and_core_hours_are_never_added_up() -> None:
    cores = {"0": (10.0, 0), "1": (10.0, 2), "2": (4.0, 0)}
    found = stability_statement("matmul", 10.0, 900, 2, cores=cores)
    assert found.weakest_core == "1"
    assert found.sentence.endswith("weakest core: 1")
    assert found.sentence.startswith("matmul: 2 errors in 10 hours")
    assert found.rate.hours == 10.0
    by_name = dict(found.cores)
    assert by_name["2"].upper is not None and by_name["0"].upper is not None
    assert by_name["2"].upper > by_name["0"].upper


def test_a_load_that_did_not_run_shows_nothing() -> None:
    found = stability_statement("matmul", 0.0, 0, 0, cores={"0": (0.0, 0)})
    assert found.sentence == "matmul: nothing is shown, the load did not run"
    assert found.weakest_core is None
