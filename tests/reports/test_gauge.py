"""A criterion's small figure: value, interval and limit in their order."""

from __future__ import annotations

import math

from harness.outcome import Verdict
from harness.results import CriterionResult
from reports.gauge import gauge


def rule(
    measured: float | None, limit: float | None, low: float | None = None, high: float | None = None
) -> CriterionResult:
    return CriterionResult("rule", True, Verdict.PASS, measured, low, high, limit, "W", "why")


def test_a_gauge_keeps_value_interval_and_limit_in_order() -> None:
    small = gauge(rule(80.0, 90.0, 78.0, 82.0))
    assert small is not None
    assert small.low < small.value < small.high < small.limit < small.width


def test_a_gauge_is_left_out_where_there_is_nothing_to_compare() -> None:
    assert gauge(rule(None, 90.0)) is None
    assert gauge(rule(80.0, None)) is None
    assert gauge(rule(0.0, 0.0)) is None
    assert gauge(rule(math.inf, 1.0)) is None
