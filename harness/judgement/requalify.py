"""Re-qualification: the baseline's own profile, with enough trials, and nothing slower.

Unchanged workloads must pass together nearly always: with five trials at 0.5 % spread and a margin
of 1 %, ten of them would do so in one re-qualification of three. So trials and boots are planned
from the spread that the baseline itself showed. The plan goes into the new run's record, from
where :func:`apply_requalification` rebuilds the same profile for a resumed run and a judgement.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from harness.criteria.not_slower import NotSlower
from harness.judgement.baseline import BASELINE
from harness.judgement.sides import Side, SideLoad, side_of
from harness.profile.loader import parse_profile
from harness.profile.model import Load, Profile
from harness.results import RunData
from harness.statistics.levels import assumed_between_boot, measured_between_boot
from harness.statistics.planning import Costs, Plan, Spread
from harness.statistics.requalification import chance_all_pass, plan_requalification
from harness.statistics.spending import SpendingPlan, level_at_look
from harness.statistics.summary import cv_percent_of, mean_of, sum_of_squares
from harness.units import percent

#: Name of the plan in a record's context.
REQUALIFICATION = "requalification"
ASSURANCE = 0.95
#: Margins that are tried, in percent, when the profile's own is out of reach.
_WIDER_MARGINS = (1.5, 2.0, 3.0, 5.0, 10.0)


@dataclass(frozen=True)
class Requalification:
    """How a baseline is run again.

    `trials` is the number per boot and load, where a profile counts over all boots; `chance` that
    all unchanged loads pass together, None where the baseline shows no spread. `reached` False:
    the planned chance is out of reach at this margin, and `why` says which margin would do.
    """

    trials: Mapping[str, int]
    boots: int
    chance: float | None
    reached: bool
    why: str
    margin_percent: float = 1.0

    def as_json(self) -> dict[str, Any]:
        """Plain JSON for the record's context."""
        return asdict(self)


@dataclass(frozen=True)
class _Known:
    """What a baseline tells the planner."""

    side: Side
    profile: Profile
    #: One-sided error of the look.
    level: float
    spreads: Mapping[str, Spread] = field(default_factory=dict)

    @property
    def stored(self) -> tuple[int, int]:
        """Boots, and fewest trials a boot, that the baseline holds."""
        loads = [load for load in self.side.loads if load.name in self.spreads]
        boots = min(sum(map(bool, load.boots)) for load in loads)
        fewest = min(len(boot) for load in loads for boot in load.boots if boot)
        return boots, fewest


def plan_again(
    baseline: Sequence[RunData], *, one_boot: bool = False, looks: int = 1
) -> Requalification:
    """Plan the re-qualification of `baseline` (runs of one profile).

    `one_boot` plans without a restart. `looks`: which look at the baseline it will be; a later one
    has less error to spend and needs more trials. Raises ProfileError when its profile cannot be
    read.
    """
    first = baseline[0]
    profile = parse_profile(first.profile_text, first.profile_name, registry=None)
    side = side_of(baseline)
    level = level_at_look(looks, SpendingPlan(1.0 - profile.confidence))
    known = _Known(side, profile, level, _spreads(side, profile))
    if not known.spreads:
        why = "the baseline shows no spread to plan with: it is run with its own trials"
        return Requalification({}, profile.boots, None, False, why)
    plan = _plan(known, profile.statistics.margin_percent, one_boot)
    if plan.boots is None or plan.trials_per_boot is None:
        return _out_of_reach(known, one_boot)
    boots = max(plan.boots, profile.boots)
    return Requalification(
        _at_least(known, plan.trials_per_boot, boots),
        boots,
        plan.achieved,
        True,
        plan.why,
        profile.statistics.margin_percent,
    )


def _spreads(side: Side, profile: Profile) -> dict[str, Spread]:
    assumed = profile.statistics.between_boot_percent
    found = {}
    for load in side.loads:
        within = _within_percent(load)
        if within and not load.unlike:
            measured = measured_between_boot(side.earlier.get(load.name, ()))
            between = measured or assumed_between_boot(assumed)
            found[load.name] = Spread(within, between.percent, between.degrees)
    return found


def _within_percent(load: SideLoad) -> float | None:
    """Spread of trials inside boots, pooled, in percent; None where no boot has two trials."""
    filled = [boot for boot in load.boots if len(boot) > 1]
    degrees = sum(len(boot) - 1 for boot in filled)
    if not degrees:
        return None
    variance = sum(sum_of_squares(boot) for boot in filled) / degrees
    return cv_percent_of(mean_of([value for boot in filled for value in boot]), variance**0.5)


def _plan(known: _Known, margin_percent: float, one_boot: bool) -> Plan:
    seconds = max(load.trial_seconds for load in known.profile.loads)
    return plan_requalification(
        list(known.spreads.values()),
        known.stored,
        margin_percent=margin_percent,
        assurance=ASSURANCE,
        level=known.level,
        costs=Costs(trial_seconds=seconds),
        one_boot=one_boot,
    )


def _at_least(known: _Known, per_boot: int, boots: int) -> dict[str, int]:
    """The planned trials per boot, over all boots never fewer than the profile asks for.

    All loads get the same number: the plan is one for all of them together, for as many trials
    as the one with the widest spread needs, and the chance that it states is that of this number.
    """
    loads = [load for load in known.profile.loads if load.name in known.spreads]
    most = max((math.ceil(load.maximum_trials / boots) for load in loads), default=0)
    return dict.fromkeys((load.name for load in loads), max(per_boot, most))


def _out_of_reach(known: _Known, one_boot: bool) -> Requalification:
    profile = known.profile
    margin = profile.statistics.margin_percent
    own = (profile.boots, max(known.stored[1], 2))
    chance = chance_all_pass(list(known.spreads.values()), known.stored, own, margin, known.level)
    remedy = _wider_margin(known, margin, one_boot)
    boots = known.stored[0]
    return Requalification(
        _at_least(known, 0, profile.boots),
        profile.boots,
        chance,
        False,
        f"with a baseline of {boots} boot{'s' if boots > 1 else ''} no plan lets "
        f"{len(known.spreads)} unchanged loads pass together in {100 * ASSURANCE:g} % of runs at "
        f"a margin of {percent(margin)}: {remedy}",
        margin,
    )


def _wider_margin(known: _Known, margin_percent: float, one_boot: bool) -> str:
    for margin in _WIDER_MARGINS:
        plan = _plan(known, margin, one_boot) if margin > margin_percent else None
        if plan is not None and plan.boots is not None:
            return f"statistics.margin_percent: {margin:g} would do ({plan.why}), or more boots"
    return "measure the baseline over more boots"


def apply_requalification(profile: Profile, context: Mapping[str, Any]) -> Profile:
    """`profile` as a re-qualification runs and judges it, by the plan in a record's context.

    Unchanged where the context holds no baseline. The criterion `not-slower` is added where the
    profile has none.
    """
    if not isinstance(context.get(BASELINE), Mapping):
        return profile
    changes: dict[str, Any] = {}
    if not any(isinstance(spec, NotSlower) for spec in profile.accept):
        changes["accept"] = (*profile.accept, NotSlower())
    stored = context.get(REQUALIFICATION)
    if isinstance(stored, Mapping):
        changes |= _planned(profile, stored.get("trials"), stored.get("boots"))
    return profile.model_copy(update=changes)


def _planned(profile: Profile, trials: object, boots: object) -> dict[str, Any]:
    planned = trials if isinstance(trials, Mapping) else {}
    count = boots if isinstance(boots, int) and boots > 0 else profile.boots
    return {
        "loads": tuple(_with_trials(load, planned.get(load.name), count) for load in profile.loads),
        "boots": count,
    }


def _with_trials(load: Load, per_boot: object, boots: int) -> Load:
    if load.is_soak or not isinstance(per_boot, int) or per_boot < 1:
        return load
    return load.model_copy(update={"trials": per_boot * boots})
