"""Which load a failure belongs to: records name the workload, which several loads may share."""

from __future__ import annotations

from harness.results import Failure, LoadInfo, RunData

#: A failure may be noticed this long after its load has stopped (a hung lane, a slow diagnosis).
SLACK_SECONDS = 5.0


def failures_of(load: LoadInfo, data: RunData) -> tuple[Failure, ...]:
    """Failures of this load: those of its workload while it ran.

    A failure outside every stretch of the workload (while it was calibrated, or in a stretch that
    was never finished) counts against each load of that workload: rather twice than not at all.
    """
    alike = [
        other.number
        for other in data.loads
        if load.workload == other.workload and other.number != load.number
    ]
    return tuple(
        item
        for item in data.failures
        if item.workload in (load.name, load.workload)
        and (
            _ran_at(load.number, item.at_seconds, data)
            or not any(_ran_at(number, item.at_seconds, data) for number in alike)
        )
    )


def _ran_at(load: int, at_seconds: float, data: RunData) -> bool:
    stretches = [(t.started_seconds, t.ended_seconds) for t in data.trials if t.load == load]
    stretches += [(s.started_seconds, s.ended_seconds) for s in data.soaks if s.load == load]
    return any(start <= at_seconds <= end + SLACK_SECONDS for start, end in stretches)
