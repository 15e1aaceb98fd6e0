"""When that happened of which an event tells: a summary of many rises is told only afterwards."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.results import Event, EventKind

#: A summary tells of a minute of readings; a larger number is none that the sampler wrote.
_MOST_RISES = 100_000
_LATEST_SECONDS = 1e12


def times_of(events: Iterable[Event], kind: EventKind) -> tuple[float, ...]:
    """The moments of all events of `kind`, in seconds on the run's time axis.

    A single event is its own moment. A summary holds as many as the rises it tells of, evenly
    spread over each of its spans, since counters are read at a fixed interval.
    """
    return tuple(time for event in events if event.kind is kind for time in _moments(event))


def _moments(event: Event) -> tuple[float, ...]:
    told = event.data.get("spans")
    spans = told if isinstance(told, list | tuple) else ()
    return tuple(time for span in spans for time in _of_span(span)) or (event.at_seconds,)


def _of_span(span: object) -> Iterator[float]:
    """The moments of one span; none where it is not of the form that the sampler writes."""
    match span:
        case [int() | float() as first, int() | float() as last, int(count)]:
            if max(abs(first), abs(last)) < _LATEST_SECONDS and 0 < count <= _MOST_RISES:
                step = (last - first) / max(count - 1, 1)
                yield from (first + number * step for number in range(count))
