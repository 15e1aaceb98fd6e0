"""What parent and lanes say to each other: small frozen dataclasses, safe to pickle.

The parent orders (`Prepare`, `Probe`, `Run`, `Go`, `Recheck`, `Drop`, `Quit`); the lane answers
(`LaneUp`, `Prepared`, `Probed`, `Ready`, `Done`, `Mismatch`, `Rechecked`, `LaneTrouble`).
Orders about work name the load by its number in the plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from harness.lanes.gate import Gate
from harness.results import LaneTrial
from workloads.contract import PASS_SECONDS_AT_LEAST

# --- parent to lane ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Pairing:
    """Which shared area two lanes meet in, and which end this lane is."""

    area: int
    end: int
    peers: tuple[int, int]


@dataclass(frozen=True)
class Prepare:
    """Build the task of one load (again, if it was built before)."""

    load: int
    workload: str
    parameters: Mapping[str, Any]
    seed: int
    pairing: Pairing | None = None


@dataclass(frozen=True)
class Probe:
    """Run the load for about `seconds` (at least `passes`): pass times and digests come back.

    A paired load runs exactly `passes`, since both ends must do the same number; another is
    content with fewer once they have taken `enough_seconds`.
    """

    load: int
    seconds: float
    passes: int
    exact: bool = False
    enough_seconds: float = math.inf


@dataclass(frozen=True)
class Sabotage:
    """Flip one bit on purpose, so that a self-test or a test can prove the detectors.

    The lane draws the bit by `role`, `kind` and `seed` (:func:`workloads.faults.choose_flip`): in
    an input before the pass, in an intermediate between its steps, in a result after it.
    """

    at_pass: int
    role: str
    kind: str
    seed: int


@dataclass(frozen=True)
class Run:
    """Get ready for a stretch: `passes` of them, or until `seconds` after the start."""

    stretch: int
    load: int
    golden: int | None
    passes: int | None = None
    seconds: float | None = None
    gate: Gate | None = None
    stop_on_failure: bool = True
    #: The lanes of this trial: each keeps the load up, uncounted, until all have done their work,
    #: so that every counted pass of every lane ran beside the load of all others.
    together: tuple[int, ...] = ()
    sabotage: Sabotage | None = None


@dataclass(frozen=True)
class Go:
    """Start the stretch at `start_ns` of the monotonic clock, all lanes at once.

    `absent` are lanes of the leg that did not get ready: nobody keeps the load up for them.
    """

    stretch: int
    start_ns: int
    absent: tuple[int, ...] = ()


@dataclass(frozen=True)
class Recheck:
    """Run one pass and say its digest, to tell whether another core computes it rightly."""

    load: int
    failure: int


@dataclass(frozen=True)
class Drop:
    """Free the task of a load."""

    load: int


@dataclass(frozen=True)
class Quit:
    """Close everything and end."""


Order = Prepare | Probe | Run | Go | Recheck | Drop | Quit

# --- lane to parent ---------------------------------------------------------------------------


@dataclass(frozen=True)
class LaneUp:
    """The lane runs, pinned to `cpu` (None where the system cannot pin)."""

    lane: int
    pid: int
    cpu: int | None
    ready_seconds: float


@dataclass(frozen=True)
class Prepared:
    """The task of a load is built."""

    lane: int
    load: int
    work_per_pass: float
    code_path: str
    seconds: float
    #: How long a pass may last while nobody knows its duration (`Workload.longest_pass_seconds`).
    longest_pass_seconds: float = PASS_SECONDS_AT_LEAST
    #: When a pass ends by itself (`Workload.pass_limit_seconds`); 0: it depends on the work.
    pass_limit_seconds: float = 0.0


@dataclass(frozen=True)
class Probed:
    """Pass times (seconds) and the digests of a probe; `doubts` are invariants that failed.

    `flippable` are the (role, kind) of bits that the task's buffers have after a pass.
    """

    lane: int
    load: int
    pass_seconds: tuple[float, ...]
    digests: tuple[int, ...]
    doubts: tuple[str, ...]
    flippable: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Ready:
    """Warmed up and waiting for `Go`; `no_clock` says why its clock could not be measured."""

    lane: int
    stretch: int
    no_clock: str = ""


@dataclass(frozen=True)
class Mismatch:
    """A pass gave a wrong digest, with what the lane found out about it at once."""

    lane: int
    load: int
    stretch: int
    pass_number: int
    at_ns: int
    detail: str
    kind: str  # "memory or cache", "this core computes wrongly" or "transient"


@dataclass(frozen=True)
class Done:
    """The stretch ended: the lane's numbers, and how late each load step began (ns)."""

    lane: int
    stretch: int
    load: int
    result: LaneTrial
    started_ns: int
    ended_ns: int
    failures: int
    stopped: bool
    #: Invariants that failed when the stretch was over (a last write that nothing read again).
    doubts: tuple[str, ...] = ()
    #: The bit that was flipped on purpose, in words; empty where none was.
    sabotaged: str = ""
    #: (window of the gate, monotonic ns at which work began in it), at most a few thousand.
    step_starts: tuple[tuple[int, int], ...] = ()
    #: (ns, passes done so far), a point every few seconds of a long stretch.
    progress: tuple[tuple[int, int], ...] = field(default=())


@dataclass(frozen=True)
class Rechecked:
    """Digest of a rechecked pass."""

    lane: int
    load: int
    failure: int
    digest: int


@dataclass(frozen=True)
class LaneTrouble:
    """An exception inside the lane: bug or missing resource, with the traceback's text."""

    lane: int
    load: int | None
    stretch: int | None
    text: str
    summary: str


Answer = LaneUp | Prepared | Probed | Ready | Mismatch | Done | Rechecked | LaneTrouble
