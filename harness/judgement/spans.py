"""Stretches of load for the timeline."""

from __future__ import annotations

from collections.abc import Iterator

from harness.results import LoadSpan, RunData


def load_spans(data: RunData) -> tuple[LoadSpan, ...]:
    """Every trial and soak as a stretch, in order of time."""
    return tuple(sorted(_spans(data), key=lambda span: span.start_seconds))


def _spans(data: RunData) -> Iterator[LoadSpan]:
    names = {load.number: load.name for load in data.loads}
    for trial in data.trials:
        name = names.get(trial.load, trial.workload)
        yield LoadSpan(trial.started_seconds, trial.ended_seconds, name)
    for soak in data.soaks:
        name = names.get(soak.load, soak.workload)
        yield LoadSpan(soak.started_seconds, soak.ended_seconds, f"{name} ({soak.pattern})")
