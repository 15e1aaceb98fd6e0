"""Which load a failure belongs to: records name the workload, which several loads may share."""

from __future__ import annotations

from collections.abc import Iterator

from harness.results import EventKind, Failure, FailureKind, LoadInfo, RunData

#: A failure may be noticed this long after its load has stopped (a hung lane, a slow diagnosis).
SLACK_SECONDS = 5.0
#: Failures of a load whenever they happen: they cannot happen without one.
UNDER_LOAD = (
    FailureKind.WRONG_RESULT,
    FailureKind.NO_AGREEMENT,
    FailureKind.LANE_DIED,
    FailureKind.LANE_HUNG,
    FailureKind.WORKLOAD_ERROR,
)
#: The death of the machine or of the harness: a failure of the load that ran at that moment.
CRASHES = (FailureKind.MACHINE_RESTARTED, FailureKind.PROCESS_DIED)
_EDGES = (EventKind.LOAD_STARTED, EventKind.LOAD_ENDED)

#: (load number, start, end) in seconds from the start of the run.
_Stretch = tuple[int, float, float]


def failures_of(load: LoadInfo, data: RunData) -> tuple[Failure, ...]:
    """Failures of this load: those of its workload while it ran.

    A failure outside every stretch of the workload (while it was calibrated, or in a stretch that
    was never finished) counts against each load of that workload: rather twice than not at all.
    A crash, and a death whose workload nobody recorded, belong to the load that was running.
    """
    return tuple(item for item in data.failures if _belongs(item, load, data))


def failures_under_load(data: RunData) -> tuple[Failure, ...]:
    """Every failure of a load: of a crash, only one that happened while a load was running."""
    return tuple(
        item
        for item in data.failures
        if item.kind in UNDER_LOAD or running_at(item.at_seconds, data)
    )


def running_at(at_seconds: float, data: RunData) -> set[int]:
    """Numbers of the loads that were running at that moment.

    The record's events are asked too: a trial that a crash broke off left nothing else behind.
    """
    stretches = [*_recorded(data), *_announced(data)]
    return {load for load, start, end in stretches if start <= at_seconds <= end}


def _belongs(item: Failure, load: LoadInfo, data: RunData) -> bool:
    if item.kind in CRASHES or item.workload is None:
        return load.number in running_at(item.at_seconds, data)
    if item.workload not in (load.name, load.workload):
        return False
    alike = [
        other.number
        for other in data.loads
        if load.workload == other.workload and other.number != load.number
    ]
    return _ran_at(load.number, item.at_seconds, data) or not any(
        _ran_at(number, item.at_seconds, data) for number in alike
    )


def _ran_at(load: int, at_seconds: float, data: RunData) -> bool:
    return any(
        number == load and start <= at_seconds <= end + SLACK_SECONDS
        for number, start, end in _recorded(data)
    )


def _recorded(data: RunData) -> Iterator[_Stretch]:
    for trial in data.trials:
        yield trial.load, trial.started_seconds, trial.ended_seconds
    for soak in data.soaks:
        yield soak.load, soak.started_seconds, soak.ended_seconds


def _announced(data: RunData) -> Iterator[_Stretch]:
    """From each announced start of a load to the next start or end, or for ever."""
    edges = [event for event in data.events if event.kind in _EDGES]
    ends = [*(event.at_seconds for event in edges[1:]), float("inf")]
    for event, end in zip(edges, ends, strict=False):
        load = event.data.get("load")
        if event.kind is EventKind.LOAD_STARTED and isinstance(load, int):
            yield load, event.at_seconds, end
