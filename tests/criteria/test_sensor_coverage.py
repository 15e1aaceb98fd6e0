"""Sensor coverage: missing and implausible samples."""

from __future__ import annotations

import pytest
from evidence_samples import channel, evidence, run_data

from harness.criteria.sensor_coverage import SensorCoverage
from harness.outcome import Verdict


@pytest.mark.parametrize(
    ("missing", "flagged", "share", "verdict"),
    [(0, 0, 100.0, Verdict.PASS), (5, 0, 95.0, Verdict.PASS), (5, 1, 94.0, Verdict.FAIL)],
)
def test_missing_and_implausible_samples_both_lower_the_coverage(
    missing: int, flagged: int, share: float, verdict: Verdict
) -> None:
    seen = channel(samples=100 - missing, missing=missing, flagged=flagged)
    result = SensorCoverage().judge(evidence(run_data(channels=(seen,))))
    assert (result.verdict, result.measured) == (verdict, share)
