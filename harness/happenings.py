"""What the conductor hears and what it orders: events in, instructions out, all plain data.

The lanes' answers (:mod:`harness.lanes.messages`) are events too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.board import StopReason
from harness.lanes.messages import Answer, Order
from harness.outcome import Ending
from harness.results import Event, Failure, LoadInfo, SafetyStop, SoakData, TrialData

# --- events -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Begin:
    """All processes have been started; lanes will report themselves."""


@dataclass(frozen=True)
class Tick:
    """Time has passed. Heartbeat ages and verified passes by lane, latest readings by channel.

    `channels` holds each reading under its channel's key and, where it has one, its role.
    """

    silent_seconds: Mapping[int, float] = field(default_factory=dict)
    verified: Mapping[int, int] = field(default_factory=dict)
    channels: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class LaneDied:
    """A lane's process ended without being asked to."""

    lane: int
    how: str
    stderr_tail: str = ""


@dataclass(frozen=True)
class LimitExceeded:
    """The guard has raised the stop flag already; this says why.

    `since_seconds` is when the first reading over the limit began, in seconds of the run; None
    where no reading was over it.
    """

    stop: SafetyStop
    since_seconds: float | None = None


@dataclass(frozen=True)
class LoadStopped:
    """The guard's stop flag is up; the reason comes by a message of its own, perhaps later.

    `at_ns` is when it was raised (monotonic): the parent may see it late. 0 is just now.
    """

    at_ns: int = 0


@dataclass(frozen=True)
class Interrupted:
    """The operator asked for the end (Ctrl-C, a closed terminal)."""

    how: str


@dataclass(frozen=True)
class HelperDied:
    """The sampler or another process of the harness ended or hung."""

    what: str
    how: str


@dataclass(frozen=True)
class Suspended:
    """The machine slept for this long."""

    seconds: float


@dataclass(frozen=True)
class StoodStill:
    """The harness itself did not run for this long: somebody stopped it, or it was starved.

    `load_stopped` says that the lanes, hearing nothing, have ended their load by themselves.
    """

    seconds: float
    load_stopped: bool


@dataclass(frozen=True)
class StorageFailed:
    """The record cannot be written any more."""

    text: str


Happening = (
    Begin
    | Tick
    | LaneDied
    | LimitExceeded
    | LoadStopped
    | Interrupted
    | HelperDied
    | Suspended
    | StoodStill
    | StorageFailed
    | Answer
)

# --- instructions -----------------------------------------------------------------------------

Storable = TrialData | SoakData | Failure | Event | LoadInfo | SafetyStop


@dataclass(frozen=True)
class Send:
    """Send an order to a lane."""

    lane: int
    order: Order


@dataclass(frozen=True)
class Store:
    """Put something into the record."""

    item: Storable


@dataclass(frozen=True)
class StopLoad:
    """Raise the stop flag."""

    reason: StopReason


@dataclass(frozen=True)
class Release:
    """Lanes that have done their share need not keep the load up for the others any longer."""

    stretch: int


@dataclass(frozen=True)
class KillLane:
    """End a lane that hangs."""

    lane: int


@dataclass(frozen=True)
class Finish:
    """Measuring is over."""

    ending: Ending
    text: str


Instruction = Send | Store | StopLoad | Release | KillLane | Finish
