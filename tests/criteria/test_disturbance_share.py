"""The share of trials that something with a name disturbed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import (
    evidence,
    load_evidence,
)

from harness.criteria.disturbance_share import DisturbanceShare
from harness.outcome import Verdict


def disturbed(number: int) -> object:
    load = load_evidence()
    causes = [("run delay 12 % on CPU 5",)] * number + [()] * (6 - number)
    points = tuple(
        replace(point, causes=why) for point, why in zip(load.result.points, causes, strict=True)
    )
    return replace(load, result=replace(load.result, points=points))


@pytest.mark.parametrize(("number", "verdict"), [(1, Verdict.PASS), (2, Verdict.FAIL)])
def test_the_share_of_disturbed_trials_is_judged(number: int, verdict: Verdict) -> None:
    result = DisturbanceShare(at_most_percent=20.0).judge(evidence(loads=(disturbed(number),)))
    assert result.verdict is verdict
    assert result.measured == pytest.approx(100 * number / 6)
    assert "run delay 12 %" in result.why


def test_the_limit_is_told_as_it_was_stated() -> None:
    result = DisturbanceShare(at_most_percent=16.625).judge(evidence(loads=(disturbed(1),)))
    assert result.verdict is Verdict.FAIL
    assert "16.625 % are accepted" in result.why
