"""Patterns: which lanes work when. Data for the conductor; workloads know nothing of them.

A profile writes ``pattern: all-lanes`` or, with keys, ``pattern: {kind: load-steps, ...}``.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from harness.criteria.strict import StrictModel


class AllLanes(StrictModel):
    """Every lane works all the time."""

    kind: Literal["all-lanes"] = "all-lanes"


class OneLaneMoving(StrictModel):
    """One lane works, the others idle; after `dwell_seconds` the next core's turn comes."""

    kind: Literal["one-lane-moving"] = "one-lane-moving"
    dwell_seconds: float = Field(
        default=20.0, ge=0.5, le=86_400, description="How long each core works alone, in seconds."
    )
    order: Literal["ascending", "seeded"] = Field(
        default="ascending",
        description="ascending: by CPU number; seeded: shuffled by the profile's seed.",
    )


class LoadSteps(StrictModel):
    """All lanes go from idle to full load and back in step: a square wave."""

    kind: Literal["load-steps"] = "load-steps"
    frequency_hz: float = Field(
        default=1.0, ge=0.1, le=50.0, description="Idle-to-full cycles per second."
    )
    duty_percent: float = Field(
        default=50.0, ge=5.0, le=95.0, description="Share of each cycle under load, in percent."
    )


class HalfLanes(StrictModel):
    """Half of the lanes work: the first half, the second, or each in turn."""

    kind: Literal["half-lanes"] = "half-lanes"
    which: Literal["first", "second", "alternate"] = Field(
        default="first",
        description="Which half of the CPUs, by number; alternate: half of the soak each.",
    )


class IdleBursts(StrictModel):
    """Long idle broken by random short light bursts: where trimmed voltages fail."""

    kind: Literal["idle-bursts"] = "idle-bursts"
    seed: int = Field(default=1, ge=0, le=2**63 - 1, description="Seed of the bursts' times.")
    mean_idle_seconds: float = Field(
        default=4.0, ge=0.05, le=3600, description="Mean idle time between bursts, in seconds."
    )
    burst_seconds: float = Field(
        default=0.2, ge=0.005, le=60, description="Length of one burst, in seconds."
    )


class Mixed(StrictModel):
    """Different loads side by side: lane k runs the load's own workload or one of `with`."""

    kind: Literal["mixed"] = "mixed"
    others: tuple[str, ...] = Field(
        alias="with",
        min_length=1,
        max_length=16,
        description="Loads of this profile, or workload names, that share the lanes with this "
        "load's own workload, lane by lane in turn.",
    )


class Pairs(StrictModel):
    """Every pair of lanes in turn, two at a time: for workloads that meet in shared memory."""

    kind: Literal["pairs"] = "pairs"


class AfterSuspend(StrictModel):
    """The machine suspends and resumes, then every lane works."""

    kind: Literal["after-suspend"] = "after-suspend"
    suspend_seconds: float = Field(
        default=20.0, ge=5, le=3600, description="How long the machine sleeps, in seconds."
    )


def _from_name(given: Any) -> Any:
    return {"kind": given} if isinstance(given, str) else given


Pattern = Annotated[
    Annotated[
        AllLanes
        | OneLaneMoving
        | LoadSteps
        | HalfLanes
        | IdleBursts
        | Mixed
        | Pairs
        | AfterSuspend,
        Field(discriminator="kind"),
    ],
    BeforeValidator(_from_name),
]

PATTERNS: tuple[type[StrictModel], ...] = (
    AllLanes,
    OneLaneMoving,
    LoadSteps,
    HalfLanes,
    IdleBursts,
    Mixed,
    Pairs,
    AfterSuspend,
)

#: Patterns whose trials give one joint throughput; the others are soaks by nature.
TRIAL_PATTERNS = ("all-lanes", "half-lanes", "pairs")
