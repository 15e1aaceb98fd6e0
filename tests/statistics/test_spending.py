"""Error spent over looks; published constants are in tests/published."""

from __future__ import annotations

import pytest

from harness.statistics.quantiles import normal_quantile
from harness.statistics.spending import (
    UNREACHABLE,
    SpendingPlan,
    level_at_look,
    spending_boundaries,
)
from tests.statistics.look_oracle import repeated_look_error


def test_a_single_planned_look_has_all_the_error() -> None:
    assert level_at_look(1, SpendingPlan(0.05, 1)) == pytest.approx(0.05)


def test_an_open_comparison_keeps_half_of_what_is_left_for_later() -> None:
    plan = SpendingPlan(0.05)
    assert [plan.spent_by(look) for look in (1, 2, 3)] == pytest.approx([0.025, 0.0375, 0.04375])
    assert level_at_look(1, plan) == pytest.approx(0.025)


@pytest.mark.parametrize("plan", [SpendingPlan(0.05), SpendingPlan(0.05, 6), SpendingPlan(0.01, 3)])
@pytest.mark.parametrize("information", [[1.0, 2.0, 3.0], [5.0, 6.0, 30.0]])
def test_the_boundaries_spend_exactly_what_the_plan_says(
    plan: SpendingPlan, information: list[float]
) -> None:
    spent = [plan.spent_by(look) for look in (1, 2, 3)]
    bounds = spending_boundaries(information, spent)
    assert repeated_look_error(information, bounds) == pytest.approx(spent[-1], abs=2e-6)


def test_a_look_known_to_share_its_data_has_more_than_the_error_it_spends() -> None:
    plan = SpendingPlan(0.05)
    spends = plan.spent_by(2) - plan.spent_by(1)
    assert level_at_look(2, plan) == pytest.approx(spends)
    assert level_at_look(2, plan, [1.0, 2.0]) > 1.3 * spends


@pytest.mark.parametrize("planned", [None, 2, 5])
@pytest.mark.parametrize(
    "information", [[1.0, 1.1, 1.2, 1.3, 1.4], [1.0, 9.0, 99.0, 999.0, 9999.0]]
)
def test_looks_spend_no_more_than_the_error_however_their_data_grow(
    planned: int | None, information: list[float]
) -> None:
    plan = SpendingPlan(0.05, planned)
    looks = planned or 5
    bounds = [-normal_quantile(level_at_look(look, plan) / 2.0) for look in range(1, looks + 1)]
    assert repeated_look_error(information[:looks], bounds) <= 0.05


def test_a_family_member_that_spends_its_own_share_stays_within_it() -> None:
    """Oracle: dividing the level of each look by ten instead spends 5.8 % of 5 % over five."""
    steps, shares = [1.0, 2.0, 3.0, 4.0, 5.0], []
    for share, divisor in ((0.005, 1.0), (0.05, 10.0)):
        levels = [
            level_at_look(look, SpendingPlan(share, 5), steps[:look]) / divisor
            for look in range(1, 6)
        ]
        bounds = [-normal_quantile(level / 2.0) for level in levels]
        shares.append(10.0 * repeated_look_error(steps, bounds))
    assert shares[0] == pytest.approx(0.05, abs=2e-5)
    assert shares[1] == pytest.approx(0.0577, abs=5e-4)


def test_more_new_information_leaves_less_to_share() -> None:
    plan = SpendingPlan(0.05)
    little, much = level_at_look(2, plan, [10.0, 11.0]), level_at_look(2, plan, [10.0, 1000.0])
    assert much < little


def test_beyond_the_planned_looks_nothing_is_left() -> None:
    plan = SpendingPlan(0.05, 2)
    assert level_at_look(3, plan) == 0.0
    bounds = spending_boundaries([1.0, 2.0, 3.0], [plan.spent_by(look) for look in (1, 2, 3)])
    assert bounds[-1] == UNREACHABLE


@pytest.mark.parametrize("information", [[1.0], [2.0, 1.0], [0.0, 1.0]])
def test_information_must_rise_and_match_the_looks(information: list[float]) -> None:
    with pytest.raises(ValueError, match="2 rising positive numbers are needed"):
        level_at_look(2, SpendingPlan(), information)


def test_looks_and_plans_start_at_one() -> None:
    with pytest.raises(ValueError, match="looks are counted from 1"):
        SpendingPlan().spent_by(0)
    with pytest.raises(ValueError, match="planned_looks=0"):
        SpendingPlan(planned_looks=0)
