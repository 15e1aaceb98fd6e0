"""Rates from growing totals."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors.rates import Rate


@given(st.lists(st.tuples(st.floats(0, 1e6), st.floats(0.02, 10)), min_size=1, max_size=30))
def test_rates_times_elapsed_add_up_to_the_total(steps: list[tuple[float, float]]) -> None:
    rate = Rate()
    rate.feed(0.0, 0.0)
    total = now = found = 0.0
    for increase, elapsed in steps:
        total, now = total + increase, now + elapsed
        per_second, why = rate.feed(total, now)
        assert per_second is not None, why
        found += per_second * elapsed
    assert found == pytest.approx(total, abs=1e-3)


def test_the_first_reading_a_fall_and_a_reading_too_soon_give_no_rate() -> None:
    rate = Rate()
    assert rate.feed(5.0, 0.0)[0] is None
    assert rate.feed(6.0, 0.001)[0] is None
    assert rate.feed(7.0, 1.0) == (2.0, "")
    assert rate.feed(1.0, 2.0) == (None, "the total fell: it was reset")
    assert rate.feed(2.0, 3.0) == (1.0, "")
