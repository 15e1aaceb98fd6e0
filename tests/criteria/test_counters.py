"""Throttling and hardware errors: only the increase counts, and unknown is not zero."""

from __future__ import annotations

from dataclasses import replace

from evidence_samples import (
    counter,
    event,
    evidence,
    run_data,
)

from harness.criteria.hardware_errors import HardwareErrors
from harness.criteria.throttling import Throttling
from harness.outcome import Verdict
from harness.results import EventKind


def test_a_counter_that_stood_still_passes() -> None:
    data = run_data(channels=(counter("throttle_count", 7, 7),))
    result = Throttling().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.PASS, 0)
    assert result.uncertainty == "count: exact"


def test_only_the_increase_during_the_run_counts() -> None:
    counters = (counter("throttle_count", 7, 9), counter("throttle_count", 0, 1, "other"))
    data = run_data(channels=counters, events=(event(EventKind.THROTTLED),))
    result = Throttling().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 3)
    assert "the first: core 5 throttled" in result.why
    assert Throttling(at_most=3).judge(evidence(data)).verdict is Verdict.PASS


def test_a_counter_that_was_reset_counts_from_its_reset() -> None:
    data = run_data(channels=(counter("hardware_errors", 100, 2),))
    assert HardwareErrors().judge(evidence(data)).measured == 2


def test_events_count_where_the_counter_could_not_be_read_at_both_ends() -> None:
    lost = replace(counter("hardware_errors", 0, 0), first_value=None)
    data = run_data(channels=(lost,), events=(event(EventKind.HARDWARE_ERROR, text="DIMM A1"),))
    result = HardwareErrors().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 1)


def test_without_any_counter_the_number_is_unknown_and_not_zero() -> None:
    result = HardwareErrors(required=False).judge(evidence())
    assert (result.verdict, result.measured) == (Verdict.NOT_TESTED, None)
    assert "unknown, not 0" in result.why
