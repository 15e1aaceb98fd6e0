"""Test plans; their printed risks are in tests/published."""

from __future__ import annotations

import numpy as np
import pytest

from harness.statistics.demonstration import (
    PLANS,
    PlanVerdict,
    fixed_duration_plan,
)


def test_a_plan_rejects_at_once_accepts_at_the_end_and_goes_on_between() -> None:
    plan = PLANS["XVII-D"]
    assert plan.hours(100.0) == pytest.approx(430.0)
    assert plan.judge(3, 10.0, 100.0) is PlanVerdict.REJECT
    assert plan.judge(2, 429.0, 100.0) is PlanVerdict.CONTINUE
    assert plan.judge(2, 430.0, 100.0) is PlanVerdict.ACCEPT
    assert plan.judge(3, 500.0, 100.0) is PlanVerdict.REJECT


def test_the_risks_are_the_shares_of_machines_wrongly_judged() -> None:
    plan = PLANS["XIV-D"]
    generator = np.random.default_rng(1)
    bad = generator.poisson(plan.duration, 20000) <= plan.accept_failures
    good = generator.poisson(plan.duration / plan.discrimination, 20000) > plan.accept_failures
    assert bad.mean() == pytest.approx(plan.consumer_risk, abs=0.01)
    assert good.mean() == pytest.approx(plan.producer_risk, abs=0.01)


@pytest.mark.parametrize(
    ("ratio", "producer", "consumer"), [(1.5, 0.2, 0.2), (2.0, 0.1, 0.1), (3.0, 0.1, 0.2)]
)
def test_an_own_plan_keeps_both_risks_and_a_shorter_one_does_not(
    ratio: float, producer: float, consumer: float
) -> None:
    plan = fixed_duration_plan(ratio, producer, consumer)
    assert plan.producer_risk <= producer
    assert plan.consumer_risk == pytest.approx(consumer, rel=1e-9)
    from scipy.stats import poisson

    duration = plan.duration
    for accepted in range(plan.accept_failures):
        # Fewer failures accepted: the consumer's risk holds only from this duration on.
        least = duration * 0.02
        while poisson.cdf(accepted, least) > consumer:
            least += duration * 0.01
        assert 1.0 - poisson.cdf(accepted, least / ratio) > producer * 0.99


def test_plans_that_cannot_discriminate_are_refused() -> None:
    with pytest.raises(ValueError, match=r"discrimination=1\.0: must exceed 1"):
        fixed_duration_plan(1.0, 0.1, 0.1)
    with pytest.raises(ValueError, match="producer_risk=10"):
        fixed_duration_plan(2.0, 10, 0.1)
    with pytest.raises(ValueError, match="theta1_hours=0"):
        PLANS["IX-D"].hours(0)
