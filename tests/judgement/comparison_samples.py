"""Invented runs to compare: six quiet trials a side, changed piece by piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from evidence_samples import lane, load_info, run_data, trial

from harness.compared import Comparison
from harness.judgement.comparison import CompareOptions, compare_sides
from harness.judgement.sides import side_of
from harness.results import Boot, RunData

STEADY = (100.0, 100.1, 99.9, 100.05, 99.95, 100.0)


def run(rates: Sequence[float] = STEADY, boot: str = "boot-a", **more: Any) -> RunData:
    trials = tuple(trial(number, rate) for number, rate in enumerate(rates))
    values = {"trials": trials, "boots": (Boot(1, boot, "", 0.0, None),), "run_id": f"run-{boot}"}
    return run_data(**{**values, **more})


def scaled(factor: float, boot: str = "boot-b", **more: Any) -> RunData:
    return run([rate * factor for rate in STEADY], boot, **more)


def compare_runs(
    before: Sequence[RunData], after: Sequence[RunData], options: CompareOptions | None = None
) -> Comparison:
    return compare_sides(side_of(before), side_of(after), options).comparison


def disturbed(rate: float) -> RunData:
    after = scaled(1.0)
    delayed = (lane(0), lane(1, run_delay_seconds=1.5))
    return replace(after, trials=(*after.trials, trial(6, rate, lanes=delayed)))


TWO = (load_info(), load_info("roll", 1))


def both(factor: float, boot: str, **more: Any) -> RunData:
    """A run of two loads, spin and roll, with six trials each."""
    trials = scaled(factor, boot).trials
    more_trials = tuple(replace(t, load=1, number=t.number + 50) for t in trials)
    return run(boot=boot, **{"loads": TWO, "trials": (*trials, *more_trials), **more})


def without_roll(factor: float, boot: str, **more: Any) -> RunData:
    gone = replace(TWO[1], available=False, reason="no compiler")
    return both(factor, boot, trials=scaled(factor, boot).trials, loads=(TWO[0], gone), **more)
