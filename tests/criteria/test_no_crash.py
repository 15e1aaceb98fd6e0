"""No crash: restarts and unexplained deaths, and a run without its end."""

from __future__ import annotations

from evidence_samples import (
    evidence,
    run_data,
)

from harness.criteria.no_crash import NoCrash
from harness.outcome import Ending, Verdict


def test_a_run_without_its_end_event_is_a_crash() -> None:
    data = run_data(ending=Ending.CRASHED, ending_text="machine restarted under spin")
    result = NoCrash().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 1)
    assert "machine restarted under spin" in result.why


def test_an_interrupted_run_that_did_not_crash_passes() -> None:
    data = run_data(ending=Ending.INTERRUPTED)
    assert NoCrash().judge(evidence(data)).verdict is Verdict.PASS
