"""How a run can be watched from the same process without ever holding it up.

The runner publishes an immutable `Snapshot` now and then and tells an observer what was stored;
an observer must return at once (the live view draws in a thread of its own, since a paused
terminal would otherwise stop the parent's heartbeat and with it the load).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from harness.results import Channel, Failure


@dataclass(frozen=True)
class LaneView:
    """One lane now."""

    lane: int
    cpu: int | None
    state: str
    clock_hz: float | None
    verified: int
    last_verified_seconds: float | None
    failures: int


@dataclass(frozen=True)
class Snapshot:
    """A run now, for people."""

    run_id: str
    profile: str
    phase: str
    load: str
    pattern: str
    elapsed_seconds: float
    planned_seconds: float
    trials_done: int
    trials_planned: int
    lanes: tuple[LaneView, ...]
    failures: tuple[Failure, ...]
    #: Latest value of each channel that may be judged, and its highest so far.
    latest: Mapping[str, float] = field(default_factory=dict)
    highest: Mapping[str, float] = field(default_factory=dict)
    channels: Mapping[str, Channel] = field(default_factory=dict)
    lost: tuple[Channel, ...] = ()
    guard_limits: tuple[tuple[str, float], ...] = ()  # (role, stop above)
    last_write_seconds: float = 0.0
    warnings: tuple[str, ...] = ()
    #: The guarded temperature when the first failure came, None where it is not measured.
    first_failure_celsius: float | None = None
    #: Degrees a second of the guarded temperature over the last samples, None where unknown.
    slope_celsius_per_second: float | None = None


class Observer(Protocol):
    """Somebody who watches a run. Every method must return at once."""

    def begun(self, run_id: str, folder: str) -> None:
        """The run's folder exists."""
        ...

    def stored(self, item: object) -> None:
        """An event, trial, soak, failure or safety stop went to the record."""
        ...

    def snapshot(self, now: Snapshot) -> None:
        """A new picture of the run."""
        ...

    def notes(self) -> tuple[str, ...]:
        """Notes that the operator has typed since the last call."""
        ...


class Nobody:
    """An observer that does not look."""

    def begun(self, run_id: str, folder: str) -> None:
        """See `Observer`."""

    def stored(self, item: object) -> None:
        """See `Observer`."""

    def snapshot(self, now: Snapshot) -> None:
        """See `Observer`."""

    def notes(self) -> tuple[str, ...]:
        """See `Observer`."""
        return ()
