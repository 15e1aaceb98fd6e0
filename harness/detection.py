"""Before a run: how many trials and boots show a change of a given size on this machine.

The spread of each load is that of the newest finished run of the same profile here; the spread
between boots is measured over all such runs under the same facts and settings, three boots or
more, else it is the profile's declared assumption. Nothing is guessed: a load whose spread no run
tells gets a reason instead of a plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from harness.context import identical_means
from harness.judgement.sides import Side, SideLoad, side_of
from harness.plan import STRETCH_OVERHEAD_SECONDS, PlannedLoad
from harness.results import RunData
from harness.statistics.levels import (
    BetweenBoot,
    assumed_between_boot,
    measured_between_boot,
    variance_components,
)
from harness.statistics.planning import Costs, Spread, plan_detection
from harness.statistics.spending import SpendingPlan, level_at_look
from harness.statistics.summary import mean_of

if TYPE_CHECKING:
    from harness.profile.model import Profile


@dataclass(frozen=True)
class Question:
    """A change of `change_percent` shall be found with probability `power`."""

    change_percent: float
    power: float = 0.9


@dataclass(frozen=True)
class LoadDetection:
    """What one load needs, a side of the comparison; numbers are None where `reason` says why.

    `seconds` is the time of one side for this load alone, restarts included; `power` is what the
    plan reaches, the wanted power or more.
    """

    name: str
    boots: int | None = None
    trials: int | None = None
    trials_per_boot: int | None = None
    seconds: float | None = None
    power: float | None = None
    within_percent: float | None = None
    between_percent: float | None = None
    between_source: str | None = None
    sentence: str | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Detection:
    """The answer for all loads with trials; `run_id` is the run that told the spread.

    `concerns` is what a reader must know of that run: failures, an early end.
    """

    change_percent: float
    power: float
    confidence: float
    run_id: str | None
    loads: tuple[LoadDetection, ...]
    reason: str | None = None
    concerns: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain JSON."""
        return asdict(self)


def plan_detections(
    profile: Profile, loads: Sequence[PlannedLoad], runs: Sequence[RunData], question: Question
) -> Detection:
    """Plan each of `loads` that has trials; `runs` are earlier ones of `profile`, newest first."""
    timed = [load for load in loads if load.trials and load.available]
    side = _newest(runs) if runs else None
    reason = None
    if not timed:
        reason = "the profile has no load with trials here"
    elif side is None:
        reason = "no earlier run of this profile on this machine tells the spread: run it once"
    found = {load.name: load for load in side.loads} if side is not None else {}
    planner = _Planner(profile, question, side, max(1, len(found)))
    return Detection(
        change_percent=question.change_percent,
        power=question.power,
        confidence=profile.confidence,
        run_id=runs[0].run_id if runs else None,
        loads=tuple(planner.plan(load, found.get(load.name)) for load in timed),
        reason=reason,
        concerns=() if side is None else side.concerns,
    )


def _newest(runs: Sequence[RunData]) -> Side:
    """The newest run, knowing the means of all that ran under the same facts and settings."""
    newest = runs[0]
    earlier = identical_means(runs, newest.facts, newest.settings)
    context: Mapping[str, Any] = {**newest.context, "earlier_runs": list(earlier)}
    return side_of([replace(newest, context=context)])


@dataclass(frozen=True)
class _Planner:
    profile: Profile
    question: Question
    side: Side | None
    compared: int

    def plan(self, load: PlannedLoad, shown: SideLoad | None) -> LoadDetection:
        """One load's plan, or why there is none."""
        within = None if shown is None else _within_percent(shown)
        if shown is None or shown.doubt or not within:
            return LoadDetection(load.name, reason=_why_unknown(shown))
        between = self._between(load.name)
        plan = plan_detection(
            self.question.change_percent,
            Spread(within, between.percent, between.degrees),
            power=self.question.power,
            level=self._level(),
            costs=Costs(trial_seconds=load.trial_seconds + STRETCH_OVERHEAD_SECONDS),
            workloads=self.compared,
        )
        return LoadDetection(
            name=load.name,
            boots=plan.boots,
            trials=plan.trials,
            trials_per_boot=plan.trials_per_boot,
            seconds=plan.seconds,
            power=plan.achieved,
            within_percent=within,
            between_percent=between.percent,
            between_source=between.source,
            sentence=plan.why if plan.boots else None,
            reason=None if plan.boots else plan.why,
        )

    def _level(self) -> float:
        """That of the first look of a comparison that may go on, as `compare` takes it."""
        return level_at_look(1, SpendingPlan(1.0 - self.profile.confidence))

    def _between(self, name: str) -> BetweenBoot:
        means = () if self.side is None else self.side.earlier.get(name, ())
        assumed = assumed_between_boot(self.profile.statistics.between_boot_percent)
        return measured_between_boot(means) or assumed


def _within_percent(load: SideLoad) -> float | None:
    """Spread of trials inside boots, pooled, as a share of the mean; None under two trials."""
    variance = variance_components(load.boots).within
    if variance is None:
        return None
    centre = mean_of([value for boot in load.boots for value in boot])
    return 100.0 * math.sqrt(variance) / centre if centre > 0.0 else None


def _why_unknown(shown: SideLoad | None) -> str:
    if shown is None:
        return "no earlier run tells its spread"
    if shown.doubt:
        return f"the newest run tells no spread: {shown.doubt}"
    return "the newest run tells no spread: it needs two trials in one boot that differ"
