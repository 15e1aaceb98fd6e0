"""Sensor coverage: missing and implausible samples."""

from __future__ import annotations

import pytest
from evidence_samples import channel, evidence, run_data

from harness.criteria.sensor_coverage import SensorCoverage
from harness.outcome import Verdict
from harness.results import Envelope, Event, EventKind


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


def test_neither_the_share_nor_the_limit_is_rounded_into_the_other() -> None:
    seen = channel(samples=1999, missing=1)
    result = SensorCoverage(at_least_percent=99.9).judge(evidence(run_data(channels=(seen,))))
    assert "in 99.95 % of what was due, 99.9 % are asked for" in result.why


def test_samples_that_were_dropped_on_the_way_were_due() -> None:
    """Two channels of 100 samples each, and as many again dropped: half of each is known."""
    both = (channel(), channel("board_temperature"))
    dropped = (
        Event(EventKind.DROPPED, 5.0, "150 readings were dropped", {"samples": 150}),
        Event(EventKind.DROPPED, 9.0, "50 samples dropped", {"samples": 50, "total": 50}),
        Event(EventKind.DROPPED, 9.0, "a foreign record", {"samples": "many"}),
    )
    result = SensorCoverage().judge(evidence(run_data(channels=both, events=dropped)))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 50.0)


def test_time_under_load_without_a_sample_was_not_covered() -> None:
    """A sampler that stood still leaves nothing that could be counted as missing."""
    data = run_data()
    loaded = max(it.ended_seconds for it in (*data.trials, *data.soaks))
    early = tuple(Envelope(float(at), 1.0, 60.0, 60.0, 61.0, 2) for at in range(int(loaded / 2)))
    seen = channel(envelopes=early, samples=2 * len(early), missing=0)
    result = SensorCoverage().judge(evidence(run_data(channels=(seen,))))
    assert result.verdict is Verdict.FAIL
    assert result.measured is not None
    assert 0.0 < result.measured < 90.0
